package casework

import (
	"slices"
	"time"
)

// Judgement is what was said of a doubtful stretch of a recording.
type Judgement struct {
	Session    int       `json:"session"`
	From       string    `json:"from"` // stamps as the worksheet prints them
	To         string    `json:"to"`
	Judgement  string    `json:"judgement"` // genuine, artifact, cannot_tell
	Name       string    `json:"name"`      // of a SpanJudged
	Credential string    `json:"credential"`
	By         Ref       `json:"by,omitzero"` // name and credential of a SpansJudged
	K          int       `json:"k"`
	At         time.Time `json:"at"`
}

// MaxSpans is how many stretches of one recording can be judged.
const MaxSpans = 2000

// judge lays judgements on a recording, each over what was said of the same
// stretch before.
func (c *Case) judge(e Event, sha string, said []Judgement) error {
	// A supplier may not judge the test on which its own payment rests
	// (design section 4).
	if e.Role != RoleTester && e.Role != RoleOffice {
		return refused("a span is judged by the tester or the practitioner, not in the role %s; send them a link", e.Role)
	}
	for _, j := range said {
		if !slices.Contains([]string{"genuine", "artifact", "cannot_tell"}, j.Judgement) {
			return refused("a span is judged genuine, artifact or cannot_tell, found %q", j.Judgement)
		}
		if j.From == "" || j.To == "" {
			return refused("a judged span needs its two ends")
		}
	}
	full := false
	err := c.changeUpload(sha, func(u *Upload) {
		u.Spans = slices.DeleteFunc(slices.Clone(u.Spans), func(o Judgement) bool {
			return slices.ContainsFunc(said, func(j Judgement) bool { return o.Session == j.Session && o.From == j.From && o.To == j.To })
		})
		u.Spans = append(u.Spans, said...)
		full = len(u.Spans) > MaxSpans
	})
	if err == nil && full {
		return refused("at most %d stretches of a recording can be judged", MaxSpans)
	}
	return err
}

// SpanJudged is what the tester or practitioner says of one doubtful stretch,
// with the name in the clear. It is read and no longer written: SpansJudged
// takes its place.
type SpanJudged struct {
	SHA256     string `json:"sha256"`
	Session    int    `json:"session"`
	From       string `json:"from"` // as the worksheet prints it
	To         string `json:"to"`
	Judgement  string `json:"judgement"` // genuine, artifact, cannot_tell
	Name       string `json:"name"`      // of who judges
	Credential string `json:"credential"`
}

// Kind returns KindSpanJudged.
func (SpanJudged) Kind() Kind  { return KindSpanJudged }
func (SpanJudged) refs() []Ref { return nil }
func (v SpanJudged) apply(c *Case, e Event) error {
	if v.Name == "" || v.Credential == "" {
		return refused("a judged span needs the name and credential of who judges")
	}
	return c.judge(e, v.SHA256, []Judgement{{Session: v.Session, From: v.From, To: v.To, Judgement: v.Judgement, Name: v.Name, Credential: v.Credential, K: e.K, At: e.At}})
}

// SpansJudged is what the tester or practitioner says of doubtful stretches,
// all that one person sent at once. Both readings stay on the worksheet.
type SpansJudged struct {
	SHA256  string     `json:"sha256"`
	Session int        `json:"session"`
	Spans   []SpanSaid `json:"spans"`
	By      Ref        `json:"by"` // name and credential of who judges
}

// SpanSaid is one stretch of a SpansJudged, by the stamps that the worksheet
// prints.
type SpanSaid struct {
	From      string `json:"from"`
	To        string `json:"to"`
	Judgement string `json:"judgement"` // genuine, artifact, cannot_tell
}

// Kind returns KindSpansJudged.
func (SpansJudged) Kind() Kind    { return KindSpansJudged }
func (v SpansJudged) refs() []Ref { return []Ref{v.By} }
func (v SpansJudged) apply(c *Case, e Event) error {
	if len(v.Spans) == 0 || v.By == "" {
		return refused("judging needs a stretch, and the name and credential of who judges")
	}
	var said []Judgement
	for _, s := range v.Spans {
		said = append(said, Judgement{Session: v.Session, From: s.From, To: s.To, Judgement: s.Judgement, By: v.By, K: e.K, At: e.At})
	}
	return c.judge(e, v.SHA256, said)
}
