package criteria

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// JudgedSpan is what the tester or the practitioner says of one doubtful
// stretch of a recording.
type JudgedSpan struct {
	SHA256 string `json:"sha256,omitempty"` // of the recording; "" where there is one
	From   string `json:"from"`             // stamps as measure prints them; from is inside, to is not
	To     string `json:"to"`
	Judged string `json:"judged"` // one of Judgements
	By     string `json:"by"`     // name and credential
}

// Judgements are what can be said of a doubtful stretch: it counts like any
// other, it is no reading at all, or the doubt stays.
var Judgements = []string{"genuine", "artifact", "cannot_tell"}

// MaxSpans is how many judged stretches one case may hold.
const MaxSpans = 5000

// spans reads a list of judged stretches. Faults of one are told at its place.
func (d *document) spans(n ast.Node, key string) (Value, *fault) {
	keys := []string{"from", "to", "judged", "by", "sha256"}
	var v Value
	f := d.items(n, key, listShape{"spans", "{from: …, to: …, judged: genuine, by: \"name, credential\"}", said("doubtful stretch"), MaxSpans, said("at most %d stretches", MaxSpans), said("state those of one recording")}, func(item ast.Node, at string, entries []entry) {
		var s JudgedSpan
		own := map[string]*string{"from": &s.From, "to": &s.To, "judged": &s.Judged, "by": &s.By, "sha256": &s.SHA256}
		before := len(d.faults)
		for _, e := range entries {
			text, isText := scalar(e.node)
			switch to := own[e.key]; {
			case to == nil:
				d.fault(e.at, path(at, e.key), &fault{literal(strings.Join(keys, ", ")), verbatim(e.key), closest(e.key, keys)})
			case !isText:
				d.fault(e.node, path(at, e.key), &fault{said("one line of text"), shape(e.node), said("write it on the line, or delete the key")})
			default:
				*to = text
			}
		}
		if f := s.check(); f != nil && len(d.faults) == before {
			d.fault(item, at, f)
		}
		v.Spans = append(v.Spans, s)
	})
	return v, f
}

// check tells what is wrong with a judged stretch.
func (s JudgedSpan) check() *fault {
	for _, stamp := range []string{s.From, s.To} {
		if _, ok := ParseStamp(stamp); !ok {
			return &fault{said("from and to as stamps"), verbatim(stamp), said("copy them from the recording%s", byMeasure)}
		}
	}
	switch {
	case s.SHA256 != "" && !shaForm.MatchString(s.SHA256):
		return &fault{said("a SHA-256 of 64 digits 0-9a-f"), verbatim(s.SHA256), said("copy it from the recording%s", byMeasure)}
	case !slices.Contains(Judgements, s.Judged):
		return &fault{literal(strings.Join(Judgements, ", ")), verbatim(s.Judged), closest(s.Judged, Judgements)}
	case strings.TrimSpace(s.By) == "" || len(s.By) > placeLimit:
		return &fault{said("by: the name and credential of who judged"), verbatim(s.By), said("add who judged; the supplier may not")}
	}
	return nil
}
