package server

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// metrics is what watches the service may read. Labels name kitchens, calls and
// codes, never a caller or anything that a caller sent.
type metrics struct {
	registry *prometheus.Registry
	calls    *prometheus.HistogramVec // seconds, by method and code
	store    *prometheus.HistogramVec // seconds, by kind of transaction
	waited   prometheus.Histogram     // seconds in an outbox
}

func newMetrics(c *core) *metrics {
	m := &metrics{registry: prometheus.NewRegistry(),
		calls: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "doughrun_call_seconds", Help: "How long calls took, by method and status code."}, []string{"method", "code"}),
		store: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "doughrun_store_seconds", Help: "How long transactions of the database took, waiting included: view reads, update writes."}, []string{"kind"}),
		waited: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "doughrun_outbox_seconds", Help: "How long orders lay in an outbox before they arrived, as their senders say.",
			Buckets: []float64{1, 10, 60, 300, 1800, 7200, 28800, 86400}}),
	}
	m.registry.MustRegister(m.calls, m.store, m.waited, &kitchensNow{c}, collectors.NewGoCollector(), collectors.NewBuildInfoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// times measures every call that reaches the service, refused ones too.
func (m *metrics) times(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	began := time.Now()
	resp, err := next(ctx, req)
	if err == nil {
		for _, seconds := range metadata.ValueFromIncomingContext(ctx, "doughrun-waited") {
			if n, err := strconv.ParseUint(seconds, 10, 32); err == nil {
				m.waited.Observe(float64(n))
			}
		}
	}
	m.calls.WithLabelValues(strings.TrimPrefix(info.FullMethod, "/doughrun.v1."), status.Code(err).String()).Observe(time.Since(began).Seconds())
	return resp, err
}

// timed is a store whose transactions are measured and traced.
type timed struct {
	commissary.Store
	*metrics
	trace.Tracer
}

func (s timed) View(ctx context.Context, f func(commissary.Tx) error) error {
	defer s.since("view", time.Now())
	ctx, span := s.Start(ctx, "store view")
	defer span.End()
	return s.Store.View(ctx, f)
}

func (s timed) Update(ctx context.Context, f func(commissary.Tx) error) error {
	defer s.since("update", time.Now())
	ctx, span := s.Start(ctx, "store update") // waiting for the others of its commit included
	defer span.End()
	return s.Store.Update(ctx, f)
}

func (m *metrics) since(kind string, began time.Time) {
	m.store.WithLabelValues(kind).Observe(time.Since(began).Seconds())
}

// kitchensNow reads how every kitchen stands whenever somebody asks.
type kitchensNow struct{ *core }

// metricNights is how many nights back are looked at.
const metricNights = 14

var (
	ordersWaiting   = prometheus.NewDesc("doughrun_orders_waiting", "Orders of recent nights that no released plan covers yet.", []string{"kitchen"}, nil)
	nightsDue       = prometheus.NewDesc("doughrun_nights_not_closed", "Nights past their last cut-off that still take orders.", []string{"kitchen"}, nil)
	nightsUnplanned = prometheus.NewDesc("doughrun_nights_not_planned", "Closed nights without a released plan.", []string{"kitchen"}, nil)
	plansExcepting  = prometheus.NewDesc("doughrun_plans_with_exceptions", "Recent nights whose plan in force could not do everything that was ordered.", []string{"kitchen"}, nil)
	storeAnswers    = prometheus.NewDesc("doughrun_store_answers", "1 while the database answers, otherwise 0.", nil, nil)
)

func (k *kitchensNow) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{ordersWaiting, nightsDue, nightsUnplanned, plansExcepting, storeAnswers} {
		to <- d
	}
}

// collectWithin bounds one reading.
const collectWithin = 10 * time.Second

func (k *kitchensNow) Collect(to chan<- prometheus.Metric) {
	ctx, stop := context.WithTimeout(context.Background(), collectWithin)
	defer stop()
	var all []prometheus.Metric
	gauge := func(d *prometheus.Desc, n int, labels ...string) {
		all = append(all, prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(n), labels...))
	}
	ids, err := k.kitchens(ctx)
	for _, id := range ids {
		due, dueErr := k.due(ctx, id)
		var s backlog
		if err == nil {
			err = dueErr
		}
		if err == nil {
			err = k.view(ctx, func(tx commissary.Tx, _ time.Time) (err error) {
				s, err = backlogOf(tx, id)
				return err
			})
		}
		if err != nil {
			break
		}
		gauge(ordersWaiting, s.waiting, id)
		gauge(nightsDue, len(due), id)
		gauge(nightsUnplanned, s.unplanned, id)
		gauge(plansExcepting, s.excepting, id)
	}
	answers := 1
	if err != nil {
		all, answers = nil, 0 // half a picture would look like a whole one
	}
	gauge(storeAnswers, answers)
	for _, m := range all {
		to <- m
	}
}

// backlog counts what a kitchen would want to be woken for.
type backlog struct{ waiting, unplanned, excepting int }

func backlogOf(tx commissary.Tx, id string) (s backlog, err error) {
	nights, err := tx.Nights(id).List(civil.Date{}, metricNights)
	if err != nil {
		return s, err
	}
	for _, n := range nights {
		switch n.State {
		case commissary.NightOpen, commissary.NightClosed:
			if n.State == commissary.NightClosed {
				s.unplanned++
			}
			orders, err := tx.Orders(id).List(n.Date, "", 0)
			if err != nil {
				return s, err
			}
			for _, o := range orders {
				if o.State != commissary.OrderCancelled {
					s.waiting++
				}
			}
		default:
			p, err := tx.Plans(id).Newest(n.Date)
			if err != nil {
				return s, err
			}
			if len(p.Exceptions) > 0 {
				s.excepting++
			}
		}
	}
	return s, nil
}

// watch answers gRPC (health and reflection) and, on /metrics, Prometheus.
func (m *metrics) watch(admin *grpc.Server) *http.Server {
	page := promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
	protocols := &http.Protocols{}
	protocols.SetHTTP1(true)
	protocols.SetUnencryptedHTTP2(true)
	return &http.Server{Protocols: protocols, ReadHeaderTimeout: connectWithin, MaxHeaderBytes: maxHeaders, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.ProtoMajor == 2 && strings.HasPrefix(r.Header.Get("Content-Type"), "application/grpc"):
			admin.ServeHTTP(w, r)
		case r.URL.Path == "/metrics":
			page.ServeHTTP(w, r)
		default:
			http.Error(w, "health and reflection speak gRPC; metrics are under /metrics", http.StatusNotFound)
		}
	})}
}
