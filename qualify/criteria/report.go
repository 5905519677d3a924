package criteria

import (
	"encoding/json"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules"
)

// Reported is one figure that a signed report prints, with its place on the
// page. Its decimals are its bounds.
type Reported struct {
	Measure string   // one of ReportMeasures
	SpO2    *big.Rat // level in percent, of measures that have one; else nil
	Value   *big.Rat // exact, in Unit
	Unit    string   // min, s or h of a time; % of a share or a saturation
	Places  int      // decimals as printed: "7.20" has 2
	// Where it stands: the document, the page, and a point of it from left
	// and top ("47.5%,31%") or words. "" where nobody said.
	Document, Page, At string
}

// ReportMeasures are the measures whose figures reports print.
var ReportMeasures = []string{"time_at_or_below", "time_below", "longest_at_or_below", "share_at_or_below", "share_below", "nadir", "mean_spo2", "recorded_time", "valid_time"}

// MaxReported is how many figures of a report one case may hold.
const MaxReported = 50

const placeLimit = 200 // letters of document, page and place each

// reportedJSON is a figure as it is stored and as it is read, in the spelling
// of a facts file.
type reportedJSON struct {
	Measure  string `json:"measure"`
	SpO2     string `json:"spo2,omitempty"`
	Value    string `json:"value"`
	Unit     string `json:"unit"`
	Document string `json:"document,omitempty"`
	Page     string `json:"page,omitempty"`
	At       string `json:"at,omitempty"`
}

// report reads a list of figures. Faults inside one are told at their place.
func (d *document) report(n ast.Node, key string) (Value, *fault) {
	var v Value
	f := d.items(n, key, listShape{"report", "{measure: nadir, value: 81, unit: \"%\"}", said("figure"), MaxReported, said("at most %d figures", MaxReported), said("state those that the criteria read")}, func(item ast.Node, at string, entries []entry) {
		var r reportedJSON
		before := len(d.faults)
		where := map[string]ast.Node{}
		for _, e := range entries {
			to := map[string]*string{"measure": &r.Measure, "spo2": &r.SpO2, "value": &r.Value, "unit": &r.Unit, "document": &r.Document, "page": &r.Page, "at": &r.At}[e.key]
			s, isText := scalar(e.node)
			switch {
			case to == nil:
				d.fault(e.at, path(at, e.key), &fault{said("measure, spo2, value, unit, document, page or at"), verbatim(e.key),
					closest(e.key, []string{"measure", "spo2", "value", "unit", "document", "page", "at"})})
			case !isText:
				d.fault(e.node, path(at, e.key), &fault{said("one line of text"), shape(e.node), said("write it on the line")})
			default:
				*to, where[e.key] = s, e.node
			}
		}
		if len(d.faults) > before {
			return
		}
		got, wrong, f := r.read()
		if f != nil {
			node := where[wrong]
			if node == nil {
				node = item
			}
			d.fault(node, path(at, wrong), f)
			return
		}
		v.Report = append(v.Report, got)
	})
	return v, f
}

// read checks a figure. The second result is the key that the fault is of.
func (r reportedJSON) read() (Reported, string, *fault) {
	out := Reported{Measure: r.Measure, Unit: r.Unit, Document: r.Document, Page: r.Page, At: r.At}
	def, ok := definition(r.Measure)
	if !ok || !slices.Contains(ReportMeasures, r.Measure) {
		return Reported{}, "measure", &fault{said("a measure that reports print"), verbatim(r.Measure), closest(r.Measure, ReportMeasures)}
	}
	switch {
	case def.Param == "spo2" && r.SpO2 == "":
		return Reported{}, "spo2", &fault{said("the level in percent"), said("none"), said("add spo2: as the report prints it")}
	case def.Param != "spo2" && r.SpO2 != "":
		return Reported{}, "spo2", &fault{said("no level for %s", r.Measure), verbatim(r.SpO2), said("delete it, or name a measure of a level")}
	case r.SpO2 != "":
		if m := numberForm.FindStringSubmatch(r.SpO2); m == nil {
			return Reported{}, "spo2", &fault{said("a level in percent"), verbatim(r.SpO2), said("write digits, such as 88")}
		}
		out.SpO2, _ = new(big.Rat).SetString(r.SpO2)
		if out.SpO2.Cmp(big.NewRat(50, 1)) < 0 || out.SpO2.Cmp(hundred) > 0 {
			return Reported{}, "spo2", &fault{said("a level from 50 to 100 %"), verbatim(r.SpO2), said("check the figure")}
		}
	}
	units := []string{"%"}
	if def.Type == rules.TypeDuration {
		units = []string{"min", "s", "h"}
	}
	if !slices.Contains(units, r.Unit) {
		return Reported{}, "unit", &fault{said("the unit %s for %s", strings.Join(units, ", "), r.Measure), verbatim(r.Unit), said("write the unit in which it is printed, and convert nothing yourself")}
	}
	m := numberForm.FindStringSubmatch(r.Value)
	if m == nil {
		mend := said("write digits with a decimal point, such as 7.2")
		if strings.Count(r.Value, ",") == 1 {
			mend = said("write a point for the comma")
		}
		return Reported{}, "value", &fault{said("the figure as it is printed"), verbatim(r.Value), mend}
	}
	out.Places = len(m[1])
	out.Value, _ = new(big.Rat).SetString(r.Value)
	// Wide bounds that only a slip lies outside of; they decide no clause.
	switch {
	case out.Value.Sign() < 0:
		return Reported{}, "value", &fault{said("a number that is not negative"), verbatim(r.Value), said("check the figure")}
	case r.Unit == "%" && out.Value.Cmp(hundred) > 0:
		return Reported{}, "value", &fault{said("a number from 0 to 100 %"), verbatim(r.Value), said("check the figure")}
	case r.Unit != "%" && convert(out.Value, r.Unit, "h").Cmp(big.NewRat(7*24, 1)) > 0:
		return Reported{}, "value", &fault{said("a time of at most a week"), verbatim(r.Value), said("check the figure and its unit")}
	}
	for key, s := range map[string]string{"document": r.Document, "page": r.Page, "at": r.At} {
		if utf8.RuneCountInString(s) > placeLimit || !utf8.ValidString(s) || strings.ContainsFunc(s, unicode.IsControl) {
			return Reported{}, key, &fault{said("one line of at most %d letters", placeLimit), verbatim(s), said("shorten it")}
		}
	}
	return out, "", nil
}

// stored is the figure in the spelling of a facts file, its decimals as they
// were printed.
func (r Reported) stored() reportedJSON {
	out := reportedJSON{Measure: r.Measure, Value: r.Value.FloatString(r.Places), Unit: r.Unit, Document: r.Document, Page: r.Page, At: r.At}
	if r.SpO2 != nil {
		n, _ := r.SpO2.FloatPrec()
		out.SpO2 = r.SpO2.FloatString(n)
	}
	return out
}

// MarshalJSON writes a figure with its keys in a fixed order.
func (r Reported) MarshalJSON() ([]byte, error) { return json.Marshal(r.stored()) }

// UnmarshalJSON reads what MarshalJSON wrote, with the checks of ParseFacts.
func (r *Reported) UnmarshalJSON(b []byte) error {
	var in reportedJSON
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	got, key, f := in.read()
	if f != nil {
		return fmt.Errorf("%s: %w", key, f)
	}
	*r = got
	return nil
}
