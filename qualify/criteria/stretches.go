package criteria

import (
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules/wording"
)

// RecordingRole says what one recording of a case, or a stretch of it, is. One
// recording may hold several stretches that do not overlap: the legs of an
// exertional test and the recovery after them.
type RecordingRole struct {
	SHA256 string `json:"sha256"`
	Role   string `json:"role"` // one of Roles
	// From and Until, stamps as measure prints them, bound the stretch: From is
	// inside, Until outside. "" is the end of the session.
	From  string `json:"from,omitempty"`
	Until string `json:"until,omitempty"`
	// Flow is the oxygen given, as its number in L/min was typed; "" if not
	// stated. Device says how it was given, a word of the fact exertion_device.
	Flow   string `json:"flow,omitempty"`
	Device string `json:"device,omitempty"`
}

// Roles of a recording: a night on air or on oxygen, the three legs of an
// exertional test, and the rest after exertion, which is none of the legs.
const (
	RoleAir            = "air"
	RoleOxygen         = "oxygen"
	RoleRestAir        = "rest_air"
	RoleExertionAir    = "exertion_air"
	RoleExertionOxygen = "exertion_oxygen"
	RoleRecovery       = "recovery"
)

// Roles returns every role, the legs in the order of a test.
func Roles() []string { return slices.Clone(roles) }

var roles = []string{RoleAir, RoleOxygen, RoleRestAir, RoleExertionAir, RoleExertionOxygen, RoleRecovery}

// RoleText names a role for people.
func RoleText(role string) string {
	return map[string]string{RoleAir: "on room air", RoleOxygen: "on oxygen", RoleRestAir: "rest on room air",
		RoleExertionAir: "exertion on room air", RoleExertionOxygen: "exertion on oxygen", RoleRecovery: "recovery"}[role]
}

// LegFact is the fact that a leg tells; "" for a role that is none of the legs.
func LegFact(role string) string {
	return map[string]string{RoleRestAir: "rest_spo2", RoleExertionAir: "exertion_spo2_air", RoleExertionOxygen: "exertion_spo2_oxygen"}[role]
}

// Leg reports whether the stretch is of an exertional test: a leg, or the
// recovery that is kept apart from them.
func (r RecordingRole) Leg() bool { return LegFact(r.Role) != "" || r.Role == RoleRecovery }

// maxStretches is how many stretches one case may name (our choice).
const maxStretches = 100

// StampKind says what a stamp counts from.
type StampKind int

// The kinds of stamps, as the clocks of recordings have them.
const (
	StampDated   StampKind = iota // 2026-03-01T22:14:00, with an offset or without
	StampOfDay                    // 22:14:00
	StampElapsed                  // +0:06:00
)

// Stamp is a place on the clock of a recording.
type Stamp struct {
	Kind StampKind
	// MS are milliseconds on the clock as it is printed: since 1970-01-01 of
	// the wall clock, since midnight, or since the first sample.
	MS int64
	// Offset is what the stamp states to stand east of UTC, in seconds; Zoned
	// says that it states one.
	Offset int
	Zoned  bool
}

var (
	datedForm   = regexp.MustCompile(`^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(\.\d{1,3})?(Z|[+-]\d\d:\d\d)?$`)
	ofDayForm   = regexp.MustCompile(`^([01]\d|2[0-3]):([0-5]\d):([0-5]\d)(\.\d{1,3})?$`)
	elapsedForm = regexp.MustCompile(`^\+(\d{1,4}):([0-5]\d):([0-5]\d)(\.\d{1,3})?$`)
	shaForm     = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// ParseStamp reads a stamp as measure prints it; false if it is none.
func ParseStamp(text string) (Stamp, bool) {
	if m := datedForm.FindStringSubmatch(text); m != nil {
		t, err := time.Parse("2006-01-02T15:04:05", m[1])
		if err != nil {
			return Stamp{}, false
		}
		s := Stamp{Kind: StampDated, MS: t.Unix()*1000 + fraction(m[2]), Zoned: m[3] != ""}
		if len(m[3]) > 1 {
			zone, err := time.Parse("-07:00", m[3])
			if err != nil {
				return Stamp{}, false
			}
			_, s.Offset = zone.Zone()
		}
		return s, true
	}
	for _, f := range []struct {
		form *regexp.Regexp
		kind StampKind
	}{{ofDayForm, StampOfDay}, {elapsedForm, StampElapsed}} {
		if m := f.form.FindStringSubmatch(text); m != nil {
			seconds := int64(0)
			for _, part := range m[1:4] {
				n, _ := strconv.ParseInt(part, 10, 64) // digits, by the form
				seconds = seconds*60 + n
			}
			return Stamp{Kind: f.kind, MS: seconds*1000 + fraction(m[4])}, true
		}
	}
	return Stamp{}, false
}

// fraction is ".25" in milliseconds.
func fraction(s string) int64 {
	if s == "" {
		return 0
	}
	n, _ := strconv.ParseInt((s[1:] + "00")[:3], 10, 64) // digits, by the form
	return n
}

// recordings reads a list of recordings and stretches. Faults of one are told
// at their place.
func (d *document) recordings(n ast.Node, key string) (Value, *fault) {
	keys := []string{"sha256", "role", "from", "until", "flow", "device"}
	var v Value
	f := d.items(n, key, listShape{"recordings", "{sha256: …, role: air}", said("recording"), maxStretches, said("at most %d stretches", maxStretches), said("state those of one test")}, func(item ast.Node, at string, entries []entry) {
		var r RecordingRole
		own := map[string]*string{"sha256": &r.SHA256, "role": &r.Role, "from": &r.From, "until": &r.Until, "flow": &r.Flow, "device": &r.Device}
		before := len(d.faults)
		for _, e := range entries {
			s, isText := scalar(e.node)
			switch to := own[e.key]; {
			case to == nil:
				d.fault(e.at, path(at, e.key), &fault{literal(strings.Join(keys, ", ")), verbatim(e.key), closest(e.key, keys)})
			case !isText:
				d.fault(e.node, path(at, e.key), &fault{said("one line of text"), shape(e.node), said("write it on the line, or delete the key")})
			default:
				*to = s
			}
		}
		if f := r.check(v.List); f != nil && len(d.faults) == before {
			d.fault(item, at, f)
		}
		v.List = append(v.List, r)
	})
	return v, f
}

// check tells what is wrong with a stretch that stands behind others.
func (r RecordingRole) check(before []RecordingRole) *fault {
	devices := exertionDevices()
	switch {
	case !shaForm.MatchString(r.SHA256):
		return &fault{said("a SHA-256 of 64 digits 0-9a-f"), verbatim(r.SHA256), said("copy it from the recording%s", byMeasure)}
	case !slices.Contains(roles, r.Role):
		return &fault{said("a role"), verbatim(r.Role), closest(r.Role, roles)}
	case r.Device != "" && !slices.Contains(devices, r.Device):
		return &fault{said("a device"), verbatim(r.Device), closest(r.Device, devices)}
	case r.Flow != "" && !positive(r.Flow):
		return &fault{said("a flow above 0 and up to 100 L/min"), verbatim(r.Flow), said("write digits with a decimal point, such as 2 or 0.5, without a unit")}
	case (r.Flow != "" || r.Device != "") && strings.HasSuffix(r.Role, RoleAir):
		return &fault{said("no flow and no device on room air"), literal(strings.TrimSpace(r.Flow + " " + r.Device)), said("delete them, or name the role on oxygen")}
	}
	ends := make([]Stamp, 2)
	for i, text := range []string{r.From, r.Until} {
		if s, ok := ParseStamp(text); text != "" && !ok {
			return &fault{said("a stamp such as 2026-03-01T22:14:00, 22:14:00 or +0:06:00"), verbatim(text), said("copy it from the recording%s", byMeasure)}
		} else if text != "" {
			ends[i] = s
		}
	}
	if r.From != "" && r.Until != "" {
		switch after := ends[1].MS - ends[0].MS; {
		case ends[0].Kind != ends[1].Kind || ends[0].Zoned != ends[1].Zoned:
			return &fault{said("two stamps of one form"), wording.Joined("\"%s\"", said("%s to %s", r.From, r.Until)), said("copy both from the recording%s", byMeasure)}
		case ends[0].Zoned && after <= int64(ends[1].Offset-ends[0].Offset)*1000,
			!ends[0].Zoned && (after == 0 || after < 0 && ends[0].Kind != StampOfDay): // a time of day may pass midnight
			return &fault{said("from before until"), wording.Joined("\"%s\"", said("%s to %s", r.From, r.Until)), said("exchange the two")}
		}
	}
	for _, b := range before {
		switch {
		case b.Role == r.Role && LegFact(r.Role) != "":
			return &fault{said("each leg once"), said("%s a second time", r.Role), said("delete one of the two; a walk that was repeated is another of the tests")}
		case b.SHA256 != r.SHA256:
		case b.Role == r.Role && r.Role == RoleAir:
			return &fault{said("one stretch on room air of a recording"), said("a second one"), said("delete one of the two: stretches are never added to each other")}
		case b.overlaps(r):
			return &fault{said("stretches of one recording that do not overlap"), said("%s and %s", stretchText(b), stretchText(r)), said("end the one where the other begins")}
		}
	}
	return nil
}

// overlaps reports whether two stretches of one recording are known to share
// time. Times of day, and stamps of different forms, are compared once the
// recording is there.
func (r RecordingRole) overlaps(o RecordingRole) bool {
	if r.From == "" && r.Until == "" || o.From == "" && o.Until == "" {
		return true
	}
	before := func(until, from string) bool { // a stretch may end before the other begins
		u, _ := ParseStamp(until)
		f, _ := ParseStamp(from)
		switch {
		case until == "" || from == "":
			return false
		case u.Kind != f.Kind || u.Zoned != f.Zoned || u.Kind == StampOfDay:
			return true
		}
		return u.MS-int64(u.Offset)*1000 <= f.MS-int64(f.Offset)*1000
	}
	return !before(r.Until, o.From) && !before(o.Until, r.From)
}

func stretchText(r RecordingRole) wording.Text {
	from, until := literal(r.From), literal(r.Until)
	if r.From == "" {
		from = said("its begin")
	}
	if r.Until == "" {
		until = said("its end")
	}
	return said("%s from %s to %s", r.Role, from, until)
}

func exertionDevices() []string {
	d, _ := definition("exertion_device")
	return d.Words
}

// positive reports whether a flow is a plain number above 0 and at most 100.
func positive(text string) bool {
	x, ok := new(big.Rat).SetString(text)
	return ok && numberForm.MatchString(text) && x.Sign() > 0 && x.Cmp(hundred) <= 0
}
