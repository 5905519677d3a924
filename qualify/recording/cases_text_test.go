package recording_test

import (
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
)

// casesFile holds the worked cases of the measurement reference, section 6:
// every figure was written down by hand there and agreed with a row-weight
// calculation.
const casesFile = "../../testdata/reference/measurement-cases.csv"

// caseRow is one row of a case: milliseconds from the start and the token of
// the saturation.
type caseRow struct {
	ms    int64
	token string
}

var caseGroup = regexp.MustCompile(`\(([^()]*)\)\*(\d+)`)

// caseRows expands the notation of the cases: V*N, (...)*N, +S, @t=V and a
// bare V.
func caseRows(t *testing.T, id, series string, step int64) []caseRow {
	t.Helper()
	switch id {
	case "C12":
		return []caseRow{{1800_000, "94"}, {1804_000, "94"}, {0, "88"}, {4000, "88"}}
	case "C24":
		var out []caseRow
		for i := range int64(60) {
			out = append(out, caseRow{1000 * i, "88"})
		}
		for i := range int64(60) {
			out = append(out, caseRow{60_000 + 4000*i, "92"})
		}
		return out
	case "C25":
		var out []caseRow
		for _, r := range caseRows(t, "", strings.TrimSuffix(series, " (each row written twice)"), step) {
			out = append(out, r, r)
		}
		return out
	}
	series = caseGroup.ReplaceAllStringFunc(series, func(s string) string {
		m := caseGroup.FindStringSubmatch(s)
		n, _ := strconv.Atoi(m[2])
		return strings.TrimSpace(strings.Repeat(m[1]+" ", n))
	})
	number := func(s string) int64 {
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		return v
	}
	var out []caseRow
	var at int64
	for _, token := range strings.Fields(series) {
		switch {
		case token[0] == '+':
			at += 1000 * number(token[1:])
		case token[0] == '@':
			stamp, v, _ := strings.Cut(token[1:], "=")
			out = append(out, caseRow{1000 * number(stamp), v})
		default:
			v, times, found := strings.Cut(token, "*")
			n := int64(1)
			if found {
				n = number(times)
			}
			for range n {
				out = append(out, caseRow{at, v})
				at += step
			}
		}
	}
	return out
}

// textForm is a way to spell a table of stamps and saturations. whole says
// that its stamps have no fraction; then case C26 shows as it came.
type textForm struct {
	name, head, layout, delim, decimal string
	day                                bool // the stamp carries the date
	encode                             func(string) string
}

func same(s string) string { return s }

// textForms are the variants in which every case is read.
var textForms = []textForm{
	{"comma, ISO", "Time,SpO2\n", "2006-01-02 15:04:05", ",", ".", true, same},
	{"semicolon, decimal comma, CRLF", "Datum/Uhrzeit;Sättigung\n", "02.01.2006 15:04:05", ";", ",", true,
		func(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }},
	{"tab, UTF-16", "Fecha y hora\tSpO2 (%)\n", "2006-01-02T15:04:05", "\t", ".", true,
		func(s string) string { return wide(s, binary.LittleEndian, true) }},
	{"12 h clock, date apart", "Date,Time,SpO2\n", "Jan 2 2006,3:04:05 PM", ",", ".", true, same},
	{"time of day with points", "Zeit|SpO2\n", "15.04.05", "|", ".", false, same},
}

// write spells rows from a start.
func (f textForm) write(rows []caseRow, start time.Time) []byte {
	var b strings.Builder
	b.WriteString(f.head)
	for _, r := range rows {
		token := strings.ReplaceAll(r.token, ".", f.decimal)
		switch token {
		case "NA", "EMPTY":
			token = ""
		case "E":
			token = "--"
		}
		b.WriteString(start.Add(time.Duration(r.ms)*time.Millisecond).Format(f.layout) + f.delim + token + "\n")
	}
	return []byte(f.encode(b.String()))
}

// caseFigures prints the measures of all sessions but one by one: a case has
// one session.
func caseFigures(a *analysis.Analysis) map[string]string {
	optional := func(ticks *int64) string {
		if ticks == nil {
			return ""
		}
		return four(a.Seconds(*ticks))
	}
	le88 := a.AtOrBelow(big.NewRat(88, 1)).Value
	out := map[string]string{
		"recorded_s": optional(a.Recorded), "valid_s": four(a.Seconds(a.Valid)), "missing_s": optional(a.Missing),
		"le88_s": four(a.Seconds(le88)), "le88_min": four(new(big.Rat).Quo(a.Seconds(le88), big.NewRat(60, 1))),
		"longest_le88_s": four(a.Seconds(a.LongestAtOrBelow(big.NewRat(88, 1)).Value)),
		"nadir":          four(a.Nadir.Value), "mean": four(a.Mean.Value), "lt90_pct": "",
	}
	if a.Valid > 0 {
		out["lt90_pct"] = four(big.NewRat(100*a.Below(big.NewRat(90, 1)).Value, a.Valid))
	}
	for _, e := range a.Events {
		out[fmt.Sprintf("odi%d_events", e.Depth)] = strconv.Itoa(e.Count)
		if e.Depth == 4 {
			out["odi4_per_valid_h"] = four(e.PerHour)
		}
	}
	return out
}

// four prints r with at most four decimals, as the cases do.
func four(r *big.Rat) string {
	if r == nil {
		return ""
	}
	return strings.TrimSuffix(strings.TrimRight(r.FloatString(4), "0"), ".")
}

// caseDiffers lists what this program keeps otherwise than the reference: a
// doubted reading stays in the value (design section 7.3).
var caseDiffers = map[string]map[string]string{
	"C30b": {"valid_s": "404", "missing_s": "0", "le88_s": "4", "le88_min": "0.0667", "longest_le88_s": "4", "nadir": "70", "mean": "93.7624", "lt90_pct": "0.9901"},
}

func readCases(t *testing.T) []map[string]string {
	t.Helper()
	f, err := os.Open(casesFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, line := range all[1:] {
		c := map[string]string{}
		for i, name := range all[0] {
			c[name] = line[i]
		}
		for name, v := range caseDiffers[c["id"]] {
			c[name] = v
		}
		out = append(out, c)
	}
	return out
}

// TestCasesAsText reads every worked case of the measurement reference that
// has figures, spelled in five forms of delimited text, and compares all of
// its figures. C14, which has none, is TestDateOrderAsked.
func TestCasesAsText(t *testing.T) {
	seconds := func(s string) int64 {
		v, ok := new(big.Rat).SetString(s)
		if !ok {
			t.Fatalf("%q is no number of seconds", s)
		}
		return v.Mul(v, big.NewRat(1000, 1)).Num().Int64()
	}
	ran := 0
	for _, c := range readCases(t) {
		id := c["id"]
		if id == "C14" {
			continue
		}
		ran++
		d, hold := seconds(c["d_s"]), seconds(c["H_s"])
		rows := caseRows(t, id, c["series"], d)
		start, opt := time.Date(2026, 3, 24, 22, 30, 0, 0, time.UTC), recording.Options{}
		if id == "C09" || id == "C13" || id == "C15" {
			start = time.Date(2026, 11, 24, 23, 59, 56, 0, time.UTC)
		}
		zone := ""
		switch id { // the wall clock shifts within the case
		case "C10":
			start, zone = time.Date(2026, 11, 1, 1, 59, 56, 0, time.UTC), "America/New_York"
			for i := range rows[1:] {
				rows[i+1].ms -= 3600_000
			}
		case "C11":
			start, zone = time.Date(2027, 3, 14, 1, 59, 56, 0, time.UTC), "America/New_York"
			for i := range rows[1:] {
				rows[i+1].ms += 3600_000
			}
		}
		for _, f := range textForms {
			if zone != "" && !f.day {
				continue // a time of day has no zone
			}
			opt.Zone, opt.Columns = zone, ""
			if id == "C10" && f.delim == ";" {
				opt.Columns = "order=dmy" // 01.11.2026 can be two dates
			}
			rules := analysis.DefaultRules()
			rules.RatePctPerS, _ = strconv.ParseInt(c["rate_rule_pct_per_s"], 10, 64) // none: off
			r, err := recording.ReadBytes(f.write(rows, start), opt)
			if err != nil {
				t.Errorf("%s as %s: %v", id, f.name, err)
				continue
			}
			if n := len(r.Sessions(0)); n != 1 {
				t.Errorf("%s as %s: %d sessions", id, f.name, n)
			}
			got := caseFigures(analysis.Analyze(r, r.Sessions(0)[0], analysis.Options{IntervalMS: d, HoldMS: hold, Rules: &rules}))
			for name, v := range got {
				if c["odi4_events"] == "" && strings.HasPrefix(name, "odi") {
					continue // C12 states no events
				}
				if v != c[name] {
					t.Errorf("%s as %s: %s is %q, expected %q (%s)", id, f.name, name, v, c[name], c["note"])
				}
			}
		}
	}
	if ran != 46 {
		t.Errorf("%d cases ran, expected 46", ran)
	}
}

// randomNight makes n rows at step ms with runs, gaps and missing readings.
func randomNight(rng *rand.Rand, n int, step int64) []caseRow {
	var out []caseRow
	at, v := int64(0), 93
	for range n {
		v = min(99, max(80, v+rng.IntN(5)-2))
		token := strconv.Itoa(v)
		if rng.IntN(20) == 0 {
			token = "NA"
		}
		out = append(out, caseRow{at, token})
		at += step
		if rng.IntN(60) == 0 {
			at += step * int64(3+rng.IntN(10))
		}
	}
	return out
}

// TestChecksOnText are the checks (a) to (f) of the measurement reference,
// section 6, on random nights as text. (g) is TestCorpusFlipped.
func TestChecksOnText(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	start := time.Date(2026, 3, 24, 22, 0, 0, 0, time.UTC)
	const step = 4000
	level := big.NewRat(88, 1)
	measure := func(f textForm, rows []caseRow, start time.Time, interval int64) *analysis.Analysis {
		r, err := recording.ReadBytes(f.write(rows, start), recording.Options{})
		if err != nil {
			t.Fatalf("as %s: %v", f.name, err)
		}
		return analysis.Analyze(r, recording.Session{To: len(r.Time)}, analysis.Options{IntervalMS: interval})
	}
	for range 25 {
		rows := randomNight(rng, 60+rng.IntN(200), step)
		f := textForms[rng.IntN(4)]
		whole := measure(f, rows, start, step)
		figures := caseFigures(whole)

		// (a) cutting at any row changes the total by at most one step
		cut := 1 + rng.IntN(len(rows)-1)
		parts := new(big.Rat)
		for _, p := range [][]caseRow{rows[:cut], rows[cut:]} {
			a := measure(f, p, start, step)
			parts.Add(parts, a.Seconds(a.AtOrBelow(level).Value))
		}
		diff := new(big.Rat).Sub(parts, whole.Seconds(whole.AtOrBelow(level).Value))
		if diff.Abs(diff).Cmp(big.NewRat(step, 1000)) > 0 {
			t.Errorf("(a) cut at row %d: the parts differ by %s s", cut, four(diff))
		}

		// (b) every row repeated at half the step
		var twice []caseRow
		for _, r := range rows {
			twice = append(twice, r, caseRow{r.ms + step/2, r.token})
		}
		if got := caseFigures(measure(f, twice, start, step/2)); !reflect.DeepEqual(got, figures) {
			t.Errorf("(b) rows repeated at half the step: %v, expected %v", got, figures)
		}

		// (c) all stamps shifted by a constant
		if got := caseFigures(measure(f, rows, start.Add(time.Duration(rng.IntN(86400))*time.Second), step)); !reflect.DeepEqual(got, figures) {
			t.Errorf("(c) shifted: %v, expected %v", got, figures)
		}

		// (d) minutes never fall as the level rises
		last := int64(-1)
		for pct := int64(50); pct <= 100; pct++ {
			now := whole.AtOrBelow(big.NewRat(pct, 1)).Value
			if now < last {
				t.Errorf("(d) less time at or below %d %% than at or below %d %%", pct, pct-1)
			}
			last = now
		}

		// (e) removing rows never raises valid time. Rows without a reading
		// stay: the reading before one that goes would stand for its time.
		var fewer []caseRow
		for _, r := range rows {
			if r.token == "NA" || rng.IntN(4) > 0 {
				fewer = append(fewer, r)
			}
		}
		less := measure(f, fewer, start, step)
		if before, after := whole.Seconds(whole.Valid), less.Seconds(less.Valid); after.Cmp(before) > 0 {
			t.Errorf("(e) valid time rises from %s to %s s", four(before), four(after))
		}

		// (f) the same night in every form
		for _, g := range textForms {
			if got := caseFigures(measure(g, rows, start, step)); !reflect.DeepEqual(got, figures) {
				t.Errorf("(f) as %s: %v, as %s %v", g.name, got, f.name, figures)
			}
		}
	}
}
