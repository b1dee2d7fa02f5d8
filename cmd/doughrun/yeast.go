package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// parseStage reads "2 h at 24 °C", or "48 h to 3 °C" for balls that near the
// air's temperature from that of the stage before.
func parseStage(s string, before []ferment.Stage, ball quantity.Mass) (ferment.Stage, error) {
	long, at, to := "", "", false
	if l, t, ok := strings.Cut(s, " at "); ok {
		long, at = l, t
	} else if l, t, ok := strings.Cut(s, " to "); ok {
		long, at, to = l, t, true
	} else {
		return ferment.Stage{}, fmt.Errorf("%q is not a stage; write for example \"2 h at 24 °C\", or \"48 h to 3 °C\" for balls that cool", s)
	}
	d, err := quantity.ParseSeconds(long)
	if err != nil {
		return ferment.Stage{}, err
	}
	t, err := quantity.ParseTemp(at)
	if err == nil && (t < -5*quantity.Degree || t > 50*quantity.Degree) {
		err = fmt.Errorf("%q is no temperature to keep a dough at", s)
	}
	switch {
	case err != nil:
		return ferment.Stage{}, err
	case !to:
		return ferment.Stage{For: d, At: t}, nil
	case len(before) == 0:
		return ferment.Stage{}, fmt.Errorf("%q begins somewhere: write a stage \"at\" a temperature before it", s)
	case ball == 0:
		return ferment.Stage{}, fmt.Errorf("%q depends on the mass of a ball: give --ball", s)
	}
	return ferment.Stage{For: d, At: t, Mass: ball, From: before[len(before)-1].At}, nil
}

// history reads the stages of a dough's life.
func history(texts []string, ball string) ([]ferment.Stage, error) {
	mass, _, err := given("ball", ball, quantity.ParseMass)
	if err != nil {
		return nil, err
	}
	var stages []ferment.Stage
	var sum quantity.Seconds
	for _, s := range texts {
		stage, err := parseStage(s, stages, mass)
		if err != nil {
			return nil, badFlag("stage", err)
		}
		if sum += stage.For; sum > quantity.MaxSeconds {
			return nil, badFlag("stage", fmt.Errorf("the stages are longer than %s together", quantity.MaxSeconds))
		}
		stages = append(stages, stage)
	}
	return stages, nil
}

// stageFlags adds --stage and --ball.
func stageFlags(cmd *cobra.Command, stages *[]string, ball *string) {
	cmd.Flags().StringArrayVar(stages, "stage", nil, "a stretch of the dough's life from the end of mixing on, as \"2 h at 24 °C\", or \"48 h to 3 °C\" for balls cooling from the stage before; repeated in order")
	cmd.Flags().StringVar(ball, "ball", "", "mass of one ball, for stages that cool")
}

// workStages shows the stage rule: how much of its life the dough does in each.
func (f *bookFile) workStages(a *answer, dose quantity.PPM, stages []ferment.Stage) quantity.PPM {
	parts := ferment.Parts(dose, stages)
	for i, p := range parts {
		share := ferment.Done(parts[i : i+1])
		where := "at " + f.units.Temp(stages[i].At)
		if stages[i].Mass > 0 {
			where = "cooling from " + f.units.Temp(stages[i].From) + " to " + f.units.Temp(stages[i].At)
		}
		life := "never ready"
		if p.Life < quantity.MaxSeconds {
			life = "ready after " + minutely(p.Life).String() + " of it"
		}
		a.work("%s %s (%s): %s", p.For, where, life, tenths(share))
	}
	done := ferment.Done(parts)
	a.work("in all %s", tenths(done))
	return done
}

// minutely rounds for people.
func minutely(d quantity.Seconds) quantity.Seconds {
	return (d + quantity.Minute/2) / quantity.Minute * quantity.Minute
}

// inHours shows an age in hours, as windows are read, however long.
func inHours(d quantity.Seconds) string {
	if d%quantity.Hour == 0 {
		return fmt.Sprintf("%d h", d/quantity.Hour)
	}
	return d.String()
}

// tenths shows a share to a tenth of a percent.
func tenths(p quantity.PPM) string { return ((p + 500) / 1000 * 1000).String() }

// estimate is what every answer about fermentation says of itself.
const estimate = "an estimate of quality, never of safety; the chart's author warns of large errors in the cold. The kitchen book's window stands"

// yeasts are the types in printing order.
var yeasts = []ferment.Yeast{ferment.Instant, ferment.ActiveDry, ferment.Fresh}

func parseYeast(s string) (ferment.Yeast, error) {
	for _, y := range yeasts {
		if string(y) == s {
			return y, nil
		}
	}
	return "", fmt.Errorf("%q is unknown; write instant, active_dry or fresh", s)
}

func parseConvention(s string) (ferment.Convention, error) {
	for _, c := range []ferment.Convention{ferment.ChartHeads, ferment.OneThird} {
		if string(c) == s {
			return c, nil
		}
	}
	return "", fmt.Errorf("%q is unknown; write %s or %s", s, ferment.ChartHeads, ferment.OneThird)
}

// dosed is the result of a yeast question.
type dosed struct {
	InstantPPM   int64            `json:"instant_ppm_of_flour"`
	ActiveDryPPM int64            `json:"active_dry_ppm_of_flour"`
	FreshPPM     int64            `json:"fresh_ppm_of_flour"`
	Convention   string           `json:"convention"`
	ReadySeconds int64            `json:"ready_seconds"`
	MassMg       map[string]int64 `json:"mass_mg,omitempty"`
}

func yeastCommand() *cobra.Command {
	var f bookFile
	var stages []string
	var ball, flour, convention string
	cmd := &cobra.Command{
		Use:   "yeast",
		Short: "Work out the yeast for a dough that is to be ready at the end of its stages",
		Args:  cobra.NoArgs,
	}
	f.flag(cmd, "file with the kitchen book, for its units")
	stageFlags(cmd, &stages, &ball)
	cmd.Flags().StringVar(&flour, "flour", "", "flour of the dough, to weigh the yeast for it")
	cmd.Flags().StringVar(&convention, "convention", string(ferment.ChartHeads), "what types of yeast are worth in each other: chart_heads or one_third")
	required(cmd, "stage")
	cmd.RunE = act(func(j *job, _ []string) error {
		if err := f.load(j); err != nil {
			return err
		}
		history, err := history(stages, ball)
		if err != nil {
			return err
		}
		c, _, err := given("convention", convention, parseConvention)
		if err != nil {
			return err
		}
		dose, err := ferment.Dose(history)
		if err != nil {
			return err
		}
		var long quantity.Seconds
		for _, s := range history {
			long += s.For
		}
		a := answer{Question: "Yeast for a dough that is ready after " + long.String(), Method: "the yeast chart and its fit hours ∝ yeast^−0.728; the stages' shares of it add up to 100 %"}
		f.workStages(&a, dose, history)
		r := dosed{Convention: string(c), ReadySeconds: int64(ferment.Ready(dose, history, history[len(history)-1].At))}
		of := map[ferment.Yeast]*int64{ferment.Instant: &r.InstantPPM, ferment.ActiveDry: &r.ActiveDryPPM, ferment.Fresh: &r.FreshPPM}
		mass, weigh, err := given("flour", flour, quantity.ParseMass)
		if err != nil {
			return err
		}
		for _, y := range yeasts {
			part, err := ferment.Convert(c, dose, ferment.Instant, y)
			if err != nil {
				return err
			}
			*of[y] = int64(part)
			line := fmt.Sprintf("%-10s %s of the flour", strings.ReplaceAll(string(y), "_", " "), part)
			if weigh {
				m, err := quantity.Share(mass, part, quantity.Nearest)
				if err != nil {
					return err
				}
				if r.MassMg == nil {
					r.MassMg = map[string]int64{}
				}
				r.MassMg[string(y)] = int64(m)
				line += ", " + near(f.units, m) + " for " + f.units.Mass(mass)
			}
			a.say("%s", line)
		}
		a.Result = r
		a.Notes = append(a.Notes, estimate, "types of yeast by the table "+string(c)+": published tables disagree")
		return j.answer(a)
	})
	return cmd
}

// readied is the result of a readiness question.
type readied struct {
	YeastPPM     int64      `json:"instant_ppm_of_flour"`
	ReadySeconds int64      `json:"ready_seconds"`
	DonePPM      int64      `json:"done_ppm"`
	Use          *readiedAt `json:"use,omitempty"`
}

type readiedAt struct {
	Item          string `json:"item"`
	Shop          string `json:"shop,omitempty"`
	Model         string `json:"model"`
	From          string `json:"use_from_time"`
	Best          string `json:"best_time"`
	By            string `json:"use_by_time"`
	UnsureSeconds int64  `json:"unsure_seconds"`
}

// readyFlags are what a readiness question may say.
type readyFlags struct {
	stages                        []string
	ball, yeast, kind, convention string
	then, item, shop, made        string
	arrives                       string
}

func readyCommand() *cobra.Command {
	var f bookFile
	var q readyFlags
	cmd := &cobra.Command{
		Use:   "ready",
		Short: "Say when a dough is ready: from yeast and stages, or an item of the book in a shop's walk-in",
		Args:  cobra.NoArgs,
	}
	f.flag(cmd, "file with the kitchen book; needed with --item")
	stageFlags(cmd, &q.stages, &q.ball)
	cmd.Flags().StringVar(&q.yeast, "yeast", "", "dose of yeast, as \"0.2 %\" of the flour; with --item the book's when left out")
	cmd.Flags().StringVar(&q.kind, "type", string(ferment.Instant), "type of that yeast: instant, active_dry or fresh")
	cmd.Flags().StringVar(&q.convention, "convention", string(ferment.ChartHeads), "what types of yeast are worth in each other: chart_heads or one_third")
	cmd.Flags().StringVar(&q.then, "then", "", "temperature after the stages; the last stage's when left out")
	cmd.Flags().StringVar(&q.item, "item", "", "an item of the book, with its own stages")
	cmd.Flags().StringVar(&q.made, "made", "", "end of mixing, as \"2026-11-25 05:10\" on the kitchen's clock, to say when the item may be used")
	cmd.Flags().StringVar(&q.shop, "shop", "", "shop whose walk-in it is kept in; the kitchen's cold store when left out")
	cmd.Flags().StringVar(&q.arrives, "arrives", "", "when it reaches the shop, as --made; at once when left out")
	cmd.MarkFlagsOneRequired("yeast", "item")
	cmd.MarkFlagsOneRequired("stage", "item")
	cmd.MarkFlagsMutuallyExclusive("stage", "item")
	cmd.RunE = act(func(j *job, _ []string) error {
		if err := f.load(j); err != nil {
			return err
		}
		if q.item != "" && !f.read {
			return &failure{exitUsage, fmt.Errorf("--item without --kitchen; name the file with the kitchen book")}
		}
		if q.item == "" && q.made+q.shop+q.arrives != "" {
			return &failure{exitUsage, fmt.Errorf("--made, --shop and --arrives are about an item of the book; name it with --item")}
		}
		a, err := f.ready(q)
		if err != nil {
			return err
		}
		return j.answer(a)
	})
	return cmd
}

func (f *bookFile) ready(q readyFlags) (answer, error) {
	a := answer{Method: "stage rule Σ time ÷ life = 1, lives by the yeast chart"}
	convention, _, err := given("convention", q.convention, parseConvention)
	if err != nil {
		return a, err
	}
	kind, _, err := given("type", q.kind, parseYeast)
	if err != nil {
		return a, err
	}
	dose, known, err := given("yeast", q.yeast, quantity.ParsePPM)
	if err != nil {
		return a, err
	}
	if known {
		if dose, err = ferment.Convert(convention, dose, kind, ferment.Instant); err != nil {
			return a, err
		}
		if kind != ferment.Instant {
			a.work("%s %s yeast is worth %s instant", q.yeast, strings.ReplaceAll(string(kind), "_", " "), dose)
		}
	}
	stages, err := history(q.stages, q.ball)
	if err != nil {
		return a, err
	}
	var item commissary.Item
	a.Question = "When a dough with " + dose.String() + " instant yeast is ready"
	if q.item != "" {
		if item, err = f.item(q.item); err != nil {
			return a, err
		}
		if item.Kind != commissary.Ball {
			return a, badFlag("item", fmt.Errorf("%s is no dough", item.ID))
		}
		fm, err := f.formula(item.Formula)
		if err != nil {
			return a, err
		}
		assumed := false
		if !known {
			if dose, assumed, err = ferment.Yeasted(f.Book, fm, convention); err != nil {
				return a, err
			}
		}
		if assumed {
			a.Notes = append(a.Notes, "assumed: the yeast is instant; the book does not say")
		}
		stages = ferment.Process(f.Book, item, item.Window.Best)
		a.Question = fmt.Sprintf("When %s with %s instant yeast is ready, up to its best age", item.Name, dose)
	}
	then := stages[len(stages)-1].At
	if t, ok, err := given("then", q.then, quantity.ParseTemp); err != nil {
		return a, err
	} else if ok {
		then = t
	}
	done := f.workStages(&a, dose, stages)
	r := readied{YeastPPM: int64(dose), DonePPM: int64(done), ReadySeconds: int64(ferment.Ready(dose, stages, then))}
	if r.ReadySeconds >= int64(quantity.MaxSeconds) {
		a.say("never ready")
	} else {
		a.say("ready %s after the end of mixing", minutely(quantity.Seconds(r.ReadySeconds)))
	}
	if o, over := ferment.Warn(dose, stages); over && q.item != "" {
		a.Notes = append(a.Notes, o.Text)
	}
	if q.item != "" {
		w := item.Window
		a.say("the book's window: from %s, best %s ± %s, at most %s", inHours(w.Min), inHours(w.Best), inHours(w.Band), inHours(w.Max))
	}
	if q.made != "" {
		if r.Use, err = f.use(&a, item, q); err != nil {
			return a, err
		}
	}
	a.Notes = append(a.Notes, estimate)
	a.Result = r
	return a, nil
}

// use says when an item may be used in a place.
func (f *bookFile) use(a *answer, item commissary.Item, q readyFlags) (*readiedAt, error) {
	zone, err := civil.LoadZone(f.Book.Kitchen.Zone)
	if err != nil {
		return nil, err
	}
	made, err := instant(q.made, zone)
	if err != nil {
		return nil, badFlag("made", err)
	}
	arrives := made
	if q.arrives != "" {
		if arrives, err = instant(q.arrives, zone); err != nil {
			return nil, badFlag("arrives", err)
		}
	}
	var shop commissary.Shop
	where := "the kitchen's cold store at " + f.units.Temp(f.ColdStore.Temp)
	if q.shop != "" {
		if shop, err = named(f.Shops, q.shop, "shop", func(s commissary.Shop) string { return s.ID }); err != nil {
			return nil, err
		}
		where = "the walk-in of " + shop.Name + " at " + f.units.Temp(shop.WalkIn)
	}
	u := plan.UseWindow(&f.Book, zone, commissary.Lot{Made: made}, item, shop, arrives)
	model := f.Book.Kitchen.Model
	if model == "" {
		model = string(ferment.Chart)
	}
	a.say("in %s, by the model %s:", where, model)
	a.say("  use from %s, best %s, by %s", zone.Long(u.From), zone.Long(u.Best), zone.Long(u.By))
	if u.Unsure > 0 {
		a.say("  give or take %s under another of the published rules", minutely(u.Unsure))
	}
	return &readiedAt{item.ID, shop.ID, model, u.From.Format(time.RFC3339), u.Best.Format(time.RFC3339), u.By.Format(time.RFC3339), int64(u.Unsure)}, nil
}
