package quantity

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// NIST Handbook 44, Appendix C, "General Tables of Units of Measurement":
// 1 lb (avoirdupois) = 0.453 592 37 kg exactly, 16 oz to the pound.
func TestPublishedUnits(t *testing.T) {
	for text, want := range map[string]Mass{
		"100 lb":          45_359_237,
		"1 lb":            453_592, // .37 of a milligram is rounded away
		"16 oz":           453_592,
		"1600 oz":         45_359_237,
		"1 oz":            28_350, // 28 349.523 125 mg
		"1000 oz":         28_349_523,
		"1 kg":            1_000_000,
		"1 t":             1_000_000_000,
		"1 lb 0.5 oz":     467_767, // 467 767.131... and not 453 592 + 14 175
		"2 lb 3 oz":       992_233, // 992 233.309 375: rounded once, not 907 185 + 85 049
		"57.2 kg":         57_200_000,
		"57.2kg":          57_200_000,
		"0.0005 g":        1,
		"0.0004 g":        0,
		" 1 kg  250 g ":   1_250_000,
		"1000000 kg":      MaxMass,
		"999999999999 mg": MaxMass - 1,
	} {
		got, err := ParseMass(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
}

// °C = (°F − 32) × 5 ÷ 9; the rounded values as printed at
// spectrumfruits.com/units-of-measurement.
func TestTemperatures(t *testing.T) {
	for text, want := range map[string]struct {
		exact Temp
		shown string
	}{
		"41 °F":   {5_000, "5 °C"},
		"70 °F":   {21_111, "21.1 °C"},
		"135 °F":  {57_222, "57.2 °C"},
		"32 °F":   {0, "0 °C"},
		"-40 F":   {-40_000, "-40 °C"},
		"0°F":     {-17_778, "-17.8 °C"},
		"24 °C":   {24_000, "24 °C"},
		"24C":     {24_000, "24 °C"},
		"-18 °C":  {-18_000, "-18 °C"},
		"-0.04 C": {-40, "0 °C"},
	} {
		got, err := ParseTemp(text)
		require.NoError(t, err, text)
		require.Equal(t, want.exact, got, text)
		require.Equal(t, want.shown, got.String(), text)
	}
	require.Equal(t, "75.2 °F", US.Temp(24_000))
	require.Equal(t, "-40 °F", US.Temp(-40_000))

	for text, want := range map[string]Temp{"36 °F": 20_000, "35 °F": 19_444, "20 °C": 20_000, "-9 F": -5_000, "0 F": 0} {
		got, err := ParseTempDifference(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
}

func TestShares(t *testing.T) {
	for text, want := range map[string]PPM{"62": 620_000, "62 %": 620_000, "0.35%": 3_500, " 0.0001 % ": 1, "0": 0, "10000": MaxPPM} {
		got, err := ParsePPM(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	require.Equal(t, "0.35 %", PPM(3_500).String())
	require.Equal(t, "166 %", PPM(1_660_000).String())
}

func TestLengthsOfTime(t *testing.T) {
	for text, want := range map[string]Seconds{"90 min": 5400, "1 h 30 min": 5400, "1.5 h": 5400, "2 d": 172_800, "1 s": 1, "0 min": 0, "366 d": MaxSeconds} {
		got, err := ParseSeconds(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for d, want := range map[Seconds]string{
		0: "0 min", 5400: "1 h 30 min", 48 * Hour: "48 h", 3 * Day: "3 d", 72*Hour + 1: "72 h 1 s", -Minute: "-1 min", 59: "59 s",
	} {
		require.Equal(t, want, d.String())
	}
}

func TestRefusals(t *testing.T) {
	parsers := map[string]func(string) error{
		"mass":    func(s string) error { _, err := ParseMass(s); return err },
		"time":    func(s string) error { _, err := ParseSeconds(s); return err },
		"percent": func(s string) error { _, err := ParsePPM(s); return err },
		"pieces":  func(s string) error { _, err := ParsePieces(s); return err },
		"temp":    func(s string) error { _, err := ParseTemp(s); return err },
		"warming": func(s string) error { _, err := ParseTempDifference(s); return err },
	}
	for kind, texts := range map[string][]string{
		"mass":    {"", " ", "5", "kg", "-5 kg", "5 stone", "5 KG", "1,5 kg", "1. kg", ".5 kg", "1.2.3 g", "1e3 g", "1000001 kg", "5 kg 3", "NaN kg", "9223372036854775807 kg", strings.Repeat("9", 40) + " g"},
		"time":    {"", "5", "h", "-1 h", "5 weeks", "367 d", "1:30"},
		"percent": {"", "%", "-1", "10001", "6 2", "62 % %", "half", "1e2"},
		"pieces":  {"", "2.0", "2.5", "-1", "24 balls", "1e3", "0x10", "100000001", "1,000", "½"},
		"temp":    {"", "24", "24 K", "°C", "C", "--3 C", "1001 C", "-301 C", "24 °° C"},
		"warming": {"", "24", "F", "1001 F"},
	} {
		for _, text := range texts {
			err := parsers[kind](text)
			require.Error(t, err, "%s %q", kind, text)
			require.Contains(t, err.Error(), fmt.Sprintf("%q", text), "the error shows what was written")
			require.Contains(t, err.Error(), "write ", "the error says what to do")
		}
	}
}

func TestPrintedMetricReadsBackExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Mass(rapid.Int64Range(0, int64(MaxMass)).Draw(t, "mass"))
		back, err := ParseMass(m.String())
		require.NoError(t, err)
		require.Equal(t, m, back, m.String())

		p := PPM(rapid.Int64Range(0, int64(MaxPPM)).Draw(t, "share"))
		share, err := ParsePPM(p.String())
		require.NoError(t, err)
		require.Equal(t, p, share)

		d := Seconds(rapid.Int64Range(0, int64(MaxSeconds)).Draw(t, "time"))
		long, err := ParseSeconds(d.String())
		require.NoError(t, err)
		require.Equal(t, d, long)
	})
}

// Pounds and ounces are shown to a hundredth of an ounce, 283 mg, so that they
// read back within half of that, and what was read from such text reads back exactly.
func TestPrintedPoundsReadBackToTheDivision(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Mass(rapid.Int64Range(0, int64(MaxMass)-1000).Draw(t, "mass"))
		text := US.Mass(m)
		back, err := ParseMass(text)
		require.NoError(t, err, text)
		require.InDelta(t, int64(m), int64(back), 142+1)
		require.Equal(t, text, US.Mass(back))
	})
	require.Equal(t, "1 lb", US.Mass(453_592))
	require.Equal(t, "2 lb 3 oz", US.Mass(992_233))
	require.Equal(t, "0 oz", US.Mass(0))
	require.Equal(t, "1 lb", US.Mass(453_590), "rounding carries into the pound")
	require.Equal(t, "-1 lb", US.Mass(-453_592))
}

func TestPrintingEndsForEveryNumber(t *testing.T) {
	for _, m := range []Mass{math.MinInt64, math.MinInt64 + 1, math.MaxInt64, -1, -999_999, -1_000_000} {
		require.NotEmpty(t, Metric.Mass(m))
		require.NotEmpty(t, US.Mass(m))
	}
	require.Equal(t, "-1.5 kg", Mass(-1_500_000).String())
	require.Equal(t, "-0.5 g", Mass(-500).String())
	require.NotEmpty(t, Seconds(math.MinInt64).String())
}

// FuzzMass checks what any accepted text must satisfy: a value in range that
// reads back from its own printing.
func FuzzMass(f *testing.F) {
	for _, s := range []string{"57.2 kg", "2 lb 3 oz", "1e9 kg", "5", "-1 g", "0.0005 g", "1 kg 1 kg"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMass(s)
		if err != nil {
			require.Zero(t, m)
			return
		}
		require.True(t, m >= 0 && m <= MaxMass)
		back, err := ParseMass(m.String())
		require.NoError(t, err)
		require.Equal(t, m, back)
	})
}

func FuzzOtherQuantities(f *testing.F) {
	for _, s := range []string{"62 %", "90 min", "24 °C", "75 F", "24", "-3", "9e9"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if p, err := ParsePPM(s); err == nil {
			require.True(t, p >= 0 && p <= MaxPPM)
			number := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "%"))
			want, ok := new(big.Rat).SetString(number)
			require.True(t, ok)
			want.Mul(want, big.NewRat(int64(Percent), 1)).Sub(want, big.NewRat(int64(p), 1))
			require.LessOrEqual(t, want.Abs(want).Cmp(big.NewRat(1, 2)), 0, "rounded to the nearest")
		}
		if n, err := ParsePieces(s); err == nil {
			require.True(t, n >= 0 && n <= MaxPieces)
		}
		if d, err := ParseSeconds(s); err == nil {
			require.True(t, d >= 0 && d <= MaxSeconds)
		}
		if c, err := ParseTemp(s); err == nil {
			require.True(t, c >= -300_000 && c <= 1_000_000)
		}
		if c, err := ParseTempDifference(s); err == nil {
			require.True(t, c >= -300_000 && c <= 1_000_000)
		}
	})
}

func TestCounted(t *testing.T) {
	require.Equal(t, "1 batch, 2 batches, 0 lines, -3 pieces", strings.Join([]string{
		Counted(1, "batch"), Counted(2, "batch"), Counted(int64(0), "line"), Counted(Pieces(-3), "piece")}, ", "))
}
