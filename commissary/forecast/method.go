package forecast

import "fmt"

// method is a model with its settings.
type method struct {
	name  string
	start func() model
}

// plainMethod is the place in the list of the one to take without a
// back-test: the mean of the same weekdays, and of all days until a weekday
// has been seen.
const plainMethod = 0

// methods returns the field of the back-test. A method that is fitted to a
// series is one whose settings are tried side by side here: the smoothing
// weights are few and coarse because a miss a week ahead hardly notices more.
func methods() []method {
	field := []method{
		{"mean of 8 same weekdays", func() model { return &sameWeekday{weeks: 8} }},
		{"mean of 4 same weekdays", func() model { return &sameWeekday{weeks: 4} }},
		{"median of 8 same weekdays", func() model { return &sameWeekday{weeks: 8, median: true} }},
		{"as last week", func() model { return &lastWeek{} }},
		{"level and trend and weekday, 0.2 0.05 0.1", func() model {
			return &seasonal{alpha: 0.2, beta: 0.05, gamma: 0.1, damping: 1}
		}},
	}
	add := func(start func() model, format string, args ...any) {
		field = append(field, method{fmt.Sprintf(format, args...), start})
	}
	for _, a := range []float64{0.1, 0.3} {
		add(func() model { return &simple{alpha: a} }, "level, %g", a)
	}
	for _, a := range []float64{0.02, 0.05, 0.1, 0.2} {
		for _, g := range []float64{0.01, 0.03, 0.1} {
			start := func() model { return &profile{forget: 1 - a, forgetShare: 1 - g} }
			add(start, "level times weekday, %g %g", a, g)
			add(steadied(start), "level times weekday, steadied, %g %g", a, g)
		}
	}
	for _, a := range []float64{0.05, 0.1, 0.2} {
		for _, g := range []float64{0.05, 0.1} {
			start := func() model { return &seasonal{alpha: a, gamma: g, damping: 1} }
			add(start, "level and weekday, %g %g", a, g)
			add(steadied(start), "level and weekday, steadied, %g %g", a, g)
		}
		add(func() model { return &seasonal{alpha: a, beta: 0.05, gamma: 0.05, damping: 0.95} },
			"level and fading trend and weekday, %g 0.05 0.05", a)
	}
	for _, b := range []float64{0.03, 0.1} {
		add(func() model { return &sparse{alpha: 0.1, beta: b} }, "size times chance, 0.1 %g", b)
	}
	return field
}

func steadied(start func() model) func() model {
	return func() model { return &steady{model: start(), within: 3} }
}
