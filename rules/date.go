package rules

import (
	"fmt"
	"time"

	"airwarrant/rules/wording"
)

// Date is a calendar day: year, month, day, never an instant. The zero Date
// is "not recorded".
type Date struct {
	Year, Month, Day int
}

// ParseDate reads YYYY-MM-DD and refuses days that the calendar lacks.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		return Date{}, wording.Error{Text: said("expected a day of the calendar as YYYY-MM-DD, found %q", s)}
	}
	return Date{t.Year(), int(t.Month()), t.Day()}, nil
}

// IsZero reports whether d is not recorded.
func (d Date) IsZero() bool { return d == Date{} }

// String prints YYYY-MM-DD, or "" for the zero Date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool { return d.Days() < e.Days() }

// Days counts days since 1970-01-01.
func (d Date) Days() int {
	return int(time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// AddDays returns the day n days after d.
func (d Date) AddDays(n int) Date {
	t := time.Date(d.Year, time.Month(d.Month), d.Day+n, 0, 0, 0, 0, time.UTC)
	return Date{t.Year(), int(t.Month()), t.Day()}
}

// MarshalText and UnmarshalText use YYYY-MM-DD.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads YYYY-MM-DD.
func (d *Date) UnmarshalText(b []byte) error {
	v, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}
