// Package config reads the settings of the two programs. A setting is looked
// for in four places, the first that has it wins: the flag, the environment
// variable, the settings file, the default. An empty environment variable
// counts as not set, and so does an empty value in the file.
//
// One file and one environment may serve both programs: a setting that only
// the other one knows is passed over. A name that neither knows is refused,
// for it is most likely misspelt.
package config

import (
	"bytes"
	"errors"
	"fmt"
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"github.com/spf13/viper"
)

// Service holds the settings of doughrund.
type Service struct {
	Listen    string        `key:"listen" default:"127.0.0.1:7410" doc:"address and port to listen on; beyond this machine only with tls_certificate"`
	Admin     string        `key:"admin_listen" optional:"yes" doc:"address and port on this machine for health, reflection and metrics; empty for none"`
	Traces    string        `key:"trace_endpoint" optional:"yes" doc:"URL that takes traces (OTLP over gRPC), for example http://127.0.0.1:4317, https beyond this machine; empty for none"`
	Cert      string        `key:"tls_certificate" optional:"yes" doc:"file with the service's certificate; with it callers must prove who they are"`
	Key       string        `key:"tls_key" optional:"yes" doc:"file with the private key of tls_certificate"`
	ClientCAs string        `key:"client_authority" optional:"yes" doc:"file with the authority whose client certificates are taken beside tokens"`
	Database  string        `key:"database" default:"doughrun.db" doc:"file that holds the facts, on a local disk of this machine; or postgres://USER@HOST/DATABASE"`
	CallLimit time.Duration `key:"call_limit" default:"1m" doc:"longest that one call may take, with its unit"`
	StopLimit time.Duration `key:"stop_limit" default:"10s" doc:"how long calls may go on once the service is asked to stop, with its unit"`
	CloseDue  string        `key:"close_due" default:"yes" oneof:"yes no" doc:"whether the service closes a night by itself after its last cut-off"`
	PrintDir  string        `key:"print_dir" default:"none" doc:"folder in which the service writes a night's papers at every release, or none"`
	Paper     string        `key:"paper" default:"a4" oneof:"a4 letter" doc:"size of the paper that the service prints for"`
	LogLevel  string        `key:"log_level" default:"info" oneof:"debug info warn error" doc:"least severe messages that are logged"`
	LogFormat string        `key:"log_format" default:"text" oneof:"text json" doc:"how log lines are written"`
}

// Client holds the settings of doughrun.
type Client struct {
	Address   string        `key:"address" default:"127.0.0.1:7410" doc:"address and port of the service"`
	Authority string        `key:"authority" optional:"yes" doc:"file with the certificate of the authority that the service must show; beyond this machine it is a must"`
	Token     string        `key:"token_file" optional:"yes" doc:"file with the caller's token, for its owner alone"`
	Cert      string        `key:"certificate" optional:"yes" doc:"file with the caller's certificate, instead of a token"`
	Key       string        `key:"certificate_key" optional:"yes" doc:"file with the private key of certificate"`
	Kitchen   string        `key:"kitchen" default:"main" doc:"id of the kitchen"`
	Units     string        `key:"units" default:"kitchen" oneof:"kitchen metric us" doc:"how quantities are shown: as the kitchen's book says, metric, or in pounds and degrees Fahrenheit"`
	Timeout   time.Duration `key:"timeout" default:"30s" doc:"longest to wait for an answer, with its unit"`
	Outbox    string        `key:"outbox" default:"~/.doughrun/outbox" doc:"folder that keeps orders until the service has answered, on a local disk of this machine"`
}

// Setting is one setting as it is in force.
type Setting struct {
	Key     string `json:"key"`
	Value   string `json:"value"`
	From    string `json:"from"` // where the value came from, in words
	Default string `json:"default"`
	Doc     string `json:"doc"`
}

// fileKey names the settings file itself, in flags and environment.
const fileKey = "config"

const envPrefix = "DOUGHRUN_"

// longest bounds every length of time.
const longest = 24 * time.Hour

// AddFlags adds a flag for every setting of a program, and --config.
func AddFlags[T Service | Client](fs *pflag.FlagSet) {
	for _, f := range fieldsOf[T]() {
		usage := f.doc
		if len(f.oneOf) > 0 {
			usage += " (" + strings.Join(f.oneOf, ", ") + ")"
		}
		fs.String(flagName(f.key), f.fallback, usage)
	}
	fs.String(fileKey, "", "settings file in YAML")
}

// Load reads the settings of a program from the flags, which AddFlags added
// and which are parsed, the environment in the form of os.Environ, and the
// settings file that one of them names. It also lists every setting with its
// origin. Its errors say where the wrong setting stands and what would be right.
func Load[T Service | Client](flags *pflag.FlagSet, environ []string) (T, []Setting, error) {
	var settings T
	env := variables(environ)
	path, err := flags.GetString(fileKey)
	if err != nil {
		return settings, nil, err
	}
	if path == "" {
		path = env[variable(fileKey)]
	}
	v, err := readFile(path)
	if err != nil {
		return settings, nil, err
	}
	faults := unknownVariables(env)
	var list []Setting
	target := reflect.ValueOf(&settings).Elem()
	for i, f := range fieldsOf[T]() {
		s := Setting{Key: f.key, Default: f.fallback, Doc: f.doc}
		var raw any
		switch flag := flags.Lookup(flagName(f.key)); {
		case flag != nil && flag.Changed:
			raw, s.From = flag.Value.String(), "flag --"+flag.Name
		case env[variable(f.key)] != "":
			raw, s.From = env[variable(f.key)], "environment "+variable(f.key)
		case v.InConfig(f.key):
			raw, s.From = v.Get(f.key), "file "+path
		default:
			raw, s.From = f.fallback, "default"
		}
		secret := false
		if s.Value, secret = Redact(fmt.Sprint(raw)); secret {
			if err := exposed(s.From, path); err != nil {
				faults = append(faults, fmt.Errorf("%s (%s): %w", f.key, s.From, err))
			}
		}
		if err := f.set(target.Field(i), raw); err != nil {
			faults = append(faults, fmt.Errorf("%s (%s): %w", f.key, s.From, err))
		}
		list = append(list, s)
	}
	return settings, list, errors.Join(faults...)
}

// Redact returns a value as it may be shown: a password in a URL is left out.
// It also says whether there was one.
func Redact(value string) (string, bool) {
	if !strings.HasPrefix(value, "postgres://") && !strings.HasPrefix(value, "postgresql://") {
		return value, false
	}
	u, err := url.Parse(value)
	if err != nil { // what is in it is anybody's guess
		return "postgres://...", true
	}
	_, secret := u.User.Password()
	query := u.Query()
	for name := range query {
		if strings.Contains(strings.ToLower(name), "password") {
			query.Set(name, "xxxxx")
			secret = true
		}
	}
	if !secret {
		return value, false
	}
	u.RawQuery = query.Encode()
	return u.Redacted(), true
}

// exposed refuses a place for a password that others on this machine can read.
func exposed(from, file string) error {
	switch {
	case strings.HasPrefix(from, "flag "):
		return errors.New("it holds a password, and every program on this machine can read the arguments of another; put it into the settings file, the environment, or the file that PGPASSFILE names")
	case strings.HasPrefix(from, "file "):
		info, err := os.Stat(file)
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			err = fmt.Errorf("it holds a password, and others may read the file (mode %#o); run chmod 600 on it", info.Mode().Perm())
		}
		return err
	}
	return nil
}

func readFile(path string) (*viper.Viper, error) {
	v := viper.New()
	v.SetConfigType("yaml")
	if path == "" {
		return v, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the settings file cannot be read: %w", err)
	}
	if err := v.ReadConfig(bytes.NewReader(text)); err != nil {
		return nil, fmt.Errorf("the settings file %s is not YAML of the form \"name: value\": %w", path, err)
	}
	var faults []error
	for _, key := range sorted(v.AllKeys()) {
		top, _, _ := strings.Cut(key, ".")
		if !slices.Contains(allKeys(), top) {
			faults = append(faults, fmt.Errorf("the settings file %s: there is no setting %q; did you mean %q?", path, top, nearest(top, allKeys())))
		}
	}
	return v, errors.Join(faults...)
}

// variables returns the environment's variables of ours.
func variables(environ []string) map[string]string {
	ours := map[string]string{}
	for _, e := range environ {
		if name, value, ok := strings.Cut(e, "="); ok && strings.HasPrefix(name, envPrefix) {
			ours[name] = value
		}
	}
	return ours
}

func unknownVariables(env map[string]string) []error {
	known := []string{variable(fileKey)}
	for _, key := range allKeys() {
		known = append(known, variable(key))
	}
	var faults []error
	var names []string
	for name := range env {
		names = append(names, name)
	}
	for _, name := range sorted(names) {
		if !slices.Contains(known, name) {
			faults = append(faults, fmt.Errorf("the environment: there is no setting %s; did you mean %s?", name, nearest(name, known)))
		}
	}
	return faults
}

// field is one setting as its struct tags describe it.
type field struct {
	key, fallback, doc string
	oneOf              []string
	optional           bool // may be empty
}

func fieldsOf[T Service | Client]() []field {
	var all []field
	t := reflect.TypeFor[T]()
	for i := range t.NumField() {
		tag := t.Field(i).Tag
		all = append(all, field{tag.Get("key"), tag.Get("default"), tag.Get("doc"), strings.Fields(tag.Get("oneof")), tag.Get("optional") != ""})
	}
	return all
}

func allKeys() []string {
	var keys []string
	for _, f := range append(fieldsOf[Service](), fieldsOf[Client]()...) {
		keys = append(keys, f.key)
	}
	return keys
}

// set parses a value into a field of a settings struct.
func (f field) set(target reflect.Value, raw any) error {
	switch reflect.ValueOf(raw).Kind() {
	case reflect.Map, reflect.Slice, reflect.Invalid:
		return errors.New("one value is expected")
	}
	text := fmt.Sprint(raw)
	if target.Type() == reflect.TypeFor[time.Duration]() {
		d, err := time.ParseDuration(text)
		// ParseDuration lets a bare 0 pass.
		if err != nil || d < time.Millisecond || d > longest {
			return fmt.Errorf("%q is not a length of time from 1ms to %v; write a number with its unit, for example \"30s\" or \"2m\"", text, longest)
		}
		target.SetInt(int64(d))
		return nil
	}
	switch {
	case text == "" && !f.optional:
		return errors.New("it is empty; leave it out for its default")
	case len(f.oneOf) > 0 && !slices.Contains(f.oneOf, text):
		return fmt.Errorf("%q is not one of %s", text, strings.Join(f.oneOf, ", "))
	}
	target.SetString(text)
	return nil
}

func flagName(key string) string { return strings.ReplaceAll(key, "_", "-") }

func variable(key string) string { return envPrefix + strings.ToUpper(key) }

func sorted(names []string) []string {
	slices.Sort(names)
	return names
}

// nearest returns the known name with the fewest single-letter edits from
// name, the first of several.
func nearest(name string, known []string) string {
	best, fewest := "", 0
	for _, k := range known {
		if d := edits(name, k); best == "" || d < fewest {
			best, fewest = k, d
		}
	}
	return best
}

// edits is how many letters must be put in, taken out or replaced to turn a into b.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			replace := diagonal
			if a[i] != b[j] {
				replace++
			}
			diagonal = row[j+1]
			row[j+1] = min(replace, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
