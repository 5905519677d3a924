package casework

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// State says where the work on a case stands, from its events alone: no
// clock is read, so that a list needs none.
type State string

// The states, in the order in which a case usually goes through them. The
// first that fits counts, from closed upwards.
const (
	StateDraft    State = "draft"    // nothing to judge yet
	StateOpen     State = "open"     // questions are left
	StateOffice   State = "office"   // a link is with the office, and no answer came since
	StateAnswered State = "answered" // no question is left
	StateDisputed State = "disputed" // an office disagrees, and nobody has settled it or stated the fact anew
	StateClosed   State = "closed"   // closed
)

// States are all states, in their order.
func States() []State {
	return []State{StateDraft, StateOpen, StateOffice, StateAnswered, StateDisputed, StateClosed}
}

// State returns where the case stands.
func (c *Case) State() State {
	_, away := c.WithOffice()
	switch {
	case !c.ClosedAt.IsZero():
		return StateClosed
	case len(c.Disputed()) > 0:
		return StateDisputed
	case away:
		return StateOffice
	case c.Determination == nil || c.Determination.Draft:
		return StateDraft
	case slices.ContainsFunc(c.Determination.Results, func(r Result) bool { return len(r.Needs) > 0 }):
		return StateOpen
	}
	return StateAnswered
}

// WithOffice reports whether an office has a link that it has not answered
// since it was made, and until when the link opens the case. One that has
// ended counts until it is withdrawn: somebody has to ask what became of it.
func (c *Case) WithOffice() (until time.Time, ok bool) {
	if c.asked <= c.heard {
		return time.Time{}, false
	}
	for _, l := range c.Links {
		if l.Role == RoleOffice && !l.Revoked && l.Expires.After(until) {
			until, ok = l.Expires, true
		}
	}
	return until, ok
}

// dayForm is how days stand in events: as text, so that they sort.
const dayForm = time.DateOnly

// Due is the first day on which something is due, and what: the day that
// somebody set (DueSet), the day on which the office's link ends (DueOffice),
// or what the determination found (its own word). "" for none.
func (c *Case) Due() (day, what string) {
	take := func(d, w string) {
		if d != "" && (day == "" || d < day) {
			day, what = d, w
		}
	}
	take(c.DueSet, DueSet)
	if until, ok := c.WithOffice(); ok {
		take(until.UTC().Format(dayForm), DueOffice)
	}
	if c.Determination != nil {
		take(c.Determination.Due, c.Determination.DueFor)
	}
	return day, what
}

// What is due, where the determination does not say it.
const (
	DueSet    = "set"
	DueOffice = "office"
)

// Assigned says who works on the case, and by which day something is to be
// done. It replaces what stood before.
type Assigned struct {
	Owner string `json:"owner,omitzero"` // account, "" for nobody
	Due   string `json:"due,omitzero"`   // day as 2006-01-02, "" for none
}

// Kind returns KindAssigned.
func (Assigned) Kind() Kind  { return KindAssigned }
func (Assigned) refs() []Ref { return nil }
func (v Assigned) apply(c *Case, e Event) error {
	if _, err := time.Parse(dayForm, v.Due); v.Due != "" && err != nil {
		return refused("a case is due on a day such as 2026-03-02, found %q", v.Due)
	}
	if v.Owner == c.Owner && v.Due == c.DueSet {
		return refused("the case is with %q, due %q, already", v.Owner, v.Due)
	}
	c.Owner, c.DueSet = v.Owner, v.Due
	return nil
}

// Order is how a list of cases is sorted. What is equal stands by number.
type Order string

// The orders.
const (
	ByOpened Order = "opened" // the newest first
	ByDue    Order = "due"    // the soonest first, cases without a day last
	ByUntil  Order = "until"  // by the last day that the test serves, likewise
)

// Orders are all orders.
func Orders() []Order { return []Order{ByOpened, ByDue, ByUntil} }

// Key returns the text by which a case is sorted: ascending, byte by byte.
func (o Order) Key(h Head) string {
	const last = "~" // after every digit
	switch o {
	case ByDue:
		if h.Due != "" {
			return h.Due
		}
		return last
	case ByUntil:
		if h.Until != "" {
			return h.Until
		}
		return last
	}
	// The newest first, in a list that only ascends.
	return fmt.Sprintf("%016x", uint64(math.MaxInt64-h.OpenedAt.UnixMilli()))
}

// Selection says which cases a list holds, and in which order. The zero value
// is all of them, the newest first.
type Selection struct {
	State    State  // "" for any
	Criteria string // region by which the case is judged first, "" for any
	Owner    string // "" for any
	Unowned  bool   // those that nobody has; Owner is "" then
	Order    Order  // "" is ByOpened
	// Till is the last day, as 2006-01-02, that ByDue and ByUntil list: a case
	// with a later day, or none, is left out. "" for all; ByOpened has none.
	Till string
	// NotCriteria are regions, and NotOwners owners, "" for nobody, whose cases
	// are left out: what a list sorted by them ends with.
	NotCriteria, NotOwners []string
}

// Bound is the last day of a list that has one, "" for any other.
func (s Selection) Bound() string {
	if s.Sorted() == ByOpened {
		return ""
	}
	return s.Till
}

// Sorted returns the order, ByOpened if none is named.
func (s Selection) Sorted() Order {
	if s.Order == "" {
		return ByOpened
	}
	return s.Order
}

// Holds reports whether the list holds a case.
func (s Selection) Holds(h Head) bool {
	return (s.State == "" || s.State == h.State) &&
		(s.Criteria == "" || s.Criteria == h.Region()) &&
		(s.Owner == "" || s.Owner == h.Owner) &&
		(!s.Unowned || h.Owner == "") &&
		!slices.Contains(s.NotCriteria, h.Region()) &&
		!slices.Contains(s.NotOwners, h.Owner) &&
		(s.Bound() == "" || s.Sorted().Key(h) <= s.Till)
}
