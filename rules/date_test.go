package rules

import "testing"

// Days since 1970-01-01 as POSIX counts them, seconds since the Epoch divided
// by 86400: 951782400 is 2000-02-29, 1709164800 is 2024-02-29 (by GNU date).
func TestDate(t *testing.T) {
	for _, c := range []struct {
		text string
		days int
	}{{"1970-01-01", 0}, {"1969-12-31", -1}, {"2000-02-29", 951782400 / 86400}, {"2024-02-29", 1709164800 / 86400}} {
		d, err := ParseDate(c.text)
		if err != nil || d.Days() != c.days || d.String() != c.text {
			t.Errorf("%s: %v, %d days, %v; want %d", c.text, d, d.Days(), err, c.days)
		}
		if next := d.AddDays(1); next.Days() != c.days+1 || !d.Before(next) || next.Before(d) {
			t.Errorf("%s and a day: %v", c.text, next)
		}
		var back Date
		b, err := d.MarshalText()
		if err != nil || back.UnmarshalText(b) != nil || back != d {
			t.Errorf("%s written and read: %v", c.text, back)
		}
	}
	// The Gregorian calendar: 1900 and 2023 are no leap years.
	for _, text := range []string{"1900-02-29", "2023-02-29", "2024-13-01", "2024-04-31", "2024-4-1", "2024-04-01T00:00:00Z", "01.04.2024", ""} {
		if d, err := ParseDate(text); err == nil || !d.IsZero() {
			t.Errorf("%q is read as %v", text, d)
		}
	}
	if s := (Date{}).String(); s != "" {
		t.Errorf("a date that is not recorded prints %q", s)
	}
	if err := new(Date).UnmarshalText([]byte("soon")); err == nil {
		t.Error("soon is read as a date")
	}
}

func TestWeaker(t *testing.T) {
	order := []Status{Verified, Secondary, Draft}
	for i, a := range order {
		for j, b := range order {
			if a.Weaker(b) != (i > j) {
				t.Errorf("%s weaker than %s: %v", a, b, a.Weaker(b))
			}
		}
	}
}
