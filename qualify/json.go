package qualify

import (
	"bytes"
	"encoding/json"
	"io"
	"math/big"
	"strconv"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/rules/wording"
)

// The JSON of the contract (design 7.2). Keys stand in a fixed order; null,
// never 0, is unknown; numbers are unrounded up to six decimals.

type jsonResult struct {
	Recordings     []jsonRecording          `json:"recordings"`
	Analysis       *jsonAnalysis            `json:"analysis"`
	Determinations []criteria.Determination `json:"determinations,omitempty"`
	Legs           []jsonLeg                `json:"legs,omitempty"` // left out where no leg is marked
	Critical       *jsonCritical            `json:"critical,omitempty"`
	Walk           *criteria.SixMinuteWalk  `json:"walk,omitempty"`
	// Unjudged is analysis without the judgements of doubtful stretches, which
	// Judged lists; both left out where nobody judged.
	Unjudged *jsonAnalysis         `json:"unjudged,omitempty"`
	Judged   []criteria.JudgedSpan `json:"judged,omitempty"`
}

type jsonRecording struct {
	SHA256    string        `json:"sha256"`
	Format    *string       `json:"format"`
	Container *string       `json:"container"`
	Zone      *string       `json:"zone"`
	Sessions  []jsonSession `json:"sessions"`
	Size      int64         `json:"size"`
	Read      []string      `json:"read"`
	Marks     []jsonMark    `json:"marks"`
	Withheld  *string       `json:"withheld"`
	// Others counts sessions that are not printed: other people's nights.
	Others int `json:"other_recordings,omitzero"`
}

type jsonSession struct {
	Start     string `json:"start"`
	End       string `json:"end"`
	IntervalS number `json:"interval_s"`
	RecordedS number `json:"recorded_s"`
	ValidS    number `json:"valid_s"`
	MissingS  number `json:"missing_s"`
	SuspectS  number `json:"suspect_s"`
	Number    int    `json:"number"` // as analysis.session has it
}

type jsonMark struct {
	At   string `json:"at"`
	Text string `json:"text"`
}

type jsonAnalysis struct {
	Recording int        `json:"recording"`
	Session   int        `json:"session"`
	AtOrBelow levels     `json:"at_or_below"`
	Below     levels     `json:"below"`
	Nadir     jsonNadir  `json:"nadir"`
	Mean      jsonBounds `json:"mean"`
	Events    levels     `json:"events"`
	Spans     []jsonSpan `json:"spans"`
	Warnings  []string   `json:"warnings"`
}

type jsonBounds struct {
	Low   number `json:"low"`
	Value number `json:"value"`
	High  number `json:"high"`
}

type jsonNadir struct {
	jsonBounds
	At *string `json:"at"`
}

type jsonLevel struct {
	LowS         number `json:"low_s"`
	S            number `json:"s"`
	HighS        number `json:"high_s"`
	LongestLowS  number `json:"longest_low_s"`
	LongestS     number `json:"longest_s"`
	LongestHighS number `json:"longest_high_s"`
	Percent      number `json:"percent"`
}

type jsonEvents struct {
	Count     *int   `json:"count"`
	CountLow  *int   `json:"count_low"`
	CountHigh *int   `json:"count_high"`
	PerHour   number `json:"per_hour"`
}

type jsonSpan struct {
	From   string `json:"from"`
	To     string `json:"to"`
	Reason string `json:"reason"`
	Kind   string `json:"kind"`
}

// number is an exact value printed with at most six decimals; nil is null.
type number struct{ r *big.Rat }

func (n number) MarshalJSON() ([]byte, error) {
	if n.r == nil {
		return []byte("null"), nil
	}
	return []byte(Decimal(n.r)), nil
}

// Decimal prints r with at most six decimals, half away from zero, without
// trailing zeros: the form of every number of the JSON.
func Decimal(r *big.Rat) string {
	s := r.FloatString(6)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}

// levels is an object whose keys keep the order in which they were added.
type levels struct {
	keys   []string
	values []any
}

func (l *levels) add(key string, v any) {
	l.keys = append(l.keys, key)
	l.values = append(l.values, v)
}

func (l levels) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, k := range l.keys {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(strconv.Quote(k) + ":")
		v, err := json.Marshal(l.values[i])
		if err != nil {
			return nil, err
		}
		b.Write(v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// WriteJSON writes the result as the contract's JSON, indented, with a final
// line break. Without determinations that key is left out (measure).
func (res *Result) WriteJSON(w io.Writer) error {
	out := jsonResult{Recordings: []jsonRecording{}, Determinations: res.Determinations, Legs: res.legsJSON(), Critical: res.criticalJSON(), Walk: criteria.Walked(criteria.Facts{Named: res.Facts})}
	for _, rd := range res.Readings {
		if res.private && res.Analysis == nil && rd.Of > 1 && len(rd.Sessions) == rd.Of {
			rd.Sessions, rd.Analyses, rd.Numbers = nil, nil, nil
		}
		out.Recordings = append(out.Recordings, recordingJSON(rd))
	}
	if res.Analysis != nil {
		out.Analysis = analysisJSON(res, res.Analysis)
		if res.Unjudged != nil {
			out.Unjudged = analysisJSON(res, res.Unjudged)
		}
	}
	out.Judged = res.Judged
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(out)
}

func recordingJSON(rd Reading) jsonRecording {
	j := jsonRecording{SHA256: rd.SHA256, Size: rd.Size, Read: []string{}, Marks: []jsonMark{}}
	if rd.Recording == nil {
		j.Withheld = &rd.Withheld
		return j
	}
	rec := rd.Recording
	j.Format, j.Container = &rec.Format, &rec.Container
	if rec.Zone != "" {
		j.Zone = &rec.Zone
	}
	j.Read = append(j.Read, wording.Sentences(rec.Layout)...)
	j.Others = rd.Of - len(rd.Sessions)
	marks := rec.Annotations
	if len(rd.Sessions) == 0 {
		marks = nil // of whose night, nobody has said yet
	}
	for _, m := range marks {
		j.Marks = append(j.Marks, jsonMark{rec.Stamp(m.At, 0), m.Text})
	}
	j.Sessions = []jsonSession{}
	for i, a := range rd.Analyses {
		end := rd.Sessions[i].To - 1
		j.Sessions = append(j.Sessions, jsonSession{
			Start:     a.Stamp(rec, a.First, a.FirstIndex),
			End:       a.Stamp(rec, a.Last, end),
			IntervalS: seconds(a, &a.Interval),
			RecordedS: seconds(a, a.Recorded),
			ValidS:    seconds(a, &a.Valid),
			MissingS:  seconds(a, a.Missing),
			SuspectS:  seconds(a, &a.Suspect),
			Number:    rd.Numbers[i],
		})
	}
	return j
}

func seconds(a *analysis.Analysis, ticks *int64) number {
	if ticks == nil {
		return number{}
	}
	return number{a.Seconds(*ticks)}
}

func analysisJSON(res *Result, a *analysis.Analysis) *jsonAnalysis {
	rec := res.Readings[res.Chosen-1].Recording
	j := &jsonAnalysis{Recording: res.Chosen, Session: res.Session, Spans: []jsonSpan{}, Warnings: []string{}}
	for pct := int64(70); pct <= 100; pct++ {
		p, key := big.NewRat(pct, 1), strconv.FormatInt(pct, 10)
		j.AtOrBelow.add(key, levelJSON(a, a.AtOrBelow(p), a.LongestAtOrBelow(p)))
		j.Below.add(key, levelJSON(a, a.Below(p), a.LongestBelow(p)))
	}
	j.Nadir.jsonBounds = boundsJSON(a.Nadir)
	if a.Nadir.Value != nil {
		s := a.Stamp(rec, a.Nadir.At, a.Nadir.AtIndex)
		j.Nadir.At = &s
	}
	j.Mean = boundsJSON(a.Mean)
	for _, e := range a.Events {
		j.Events.add(strconv.FormatInt(e.Depth, 10), jsonEvents{&e.Count, &e.Low, &e.High, number{e.PerHour}})
	}
	for _, s := range a.Spans {
		j.Spans = append(j.Spans, jsonSpan{a.Stamp(rec, s.FromTick, s.From), a.Stamp(rec, s.ToTick, s.To-1), s.Reason, string(s.Kind)})
	}
	j.Warnings = append(j.Warnings, res.Warnings...)
	return j
}

func boundsJSON(b analysis.Bounded) jsonBounds {
	return jsonBounds{number{b.Low}, number{b.Value}, number{b.High}}
}

func levelJSON(a *analysis.Analysis, t, run analysis.Triple) jsonLevel {
	l := jsonLevel{
		LowS: number{a.Seconds(t.Low)}, S: number{a.Seconds(t.Value)}, HighS: number{a.Seconds(t.High)},
		LongestLowS: number{a.Seconds(run.Low)}, LongestS: number{a.Seconds(run.Value)}, LongestHighS: number{a.Seconds(run.High)},
	}
	if a.Valid > 0 {
		l.Percent = number{big.NewRat(100*t.Value, a.Valid)}
	}
	return l
}
