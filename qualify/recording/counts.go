package recording

import "strings"

// splitNumber reads a plain decimal number that is not negative: its whole
// part, its decimals as an integer of at most 12 digits, and how many were
// printed. Whole parts of more than 15 digits are none.
func splitNumber(s string) (whole, frac int64, decimals int, ok bool) {
	i := 0
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		if i == 15 {
			return 0, 0, 0, false
		}
		whole = whole*10 + int64(s[i]-'0')
	}
	if i == 0 {
		return 0, 0, 0, false
	}
	if i == len(s) {
		return whole, 0, 0, true
	}
	if s[i] != '.' && s[i] != ',' || i+1 == len(s) {
		return 0, 0, 0, false
	}
	for i++; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return 0, 0, 0, false
		}
		if decimals++; decimals <= 12 {
			frac = frac*10 + int64(s[i]-'0')
		}
	}
	for d := decimals; d < 12; d++ {
		frac *= 10
	}
	return whole, frac, decimals, true
}

// parseCount reads a count as nanoseconds since 1970-01-01. The days of a
// spreadsheet are rounded to the millisecond if they have ten decimals or
// more, else to the second, because fewer cannot tell milliseconds apart (our
// choice: the last of ten decimals is 9 µs). Years outside 1900 to 2199 are
// refused.
func parseCount(s string, kind countKind) (ns int64, decimals int, ok bool) {
	whole, frac, decimals, ok := splitNumber(s)
	if !ok {
		return 0, 0, false
	}
	const (
		first = -25567 * dayNS // 1900-01-01
		last  = 84005          // days from 1970 to 2199-12-31
	)
	switch kind {
	case countEpoch:
		if whole > last*86400 {
			return 0, 0, false
		}
		ns = whole*1e9 + frac/1000
	case countEpochMS:
		if whole > last*86400_000 {
			return 0, 0, false
		}
		ns = whole*1e6 + frac/1e6
	default:
		if whole > last+25569 {
			return 0, 0, false
		}
		unit := int64(1e9)
		if decimals >= 10 {
			unit = 1e6
		}
		part := frac * 864 / 10 // 1e-12 of a day is 86.4 ns
		ns = (whole-25569)*dayNS + (part+unit/2)/unit*unit
	}
	return ns, decimals, ns >= first
}

// groupedNumber reads a number whose thousands are marked, such as 1,234 or
// 1.234,5, and returns it with a point for the decimals and no other mark.
// mark is the thousands mark that was met; ok is false if s is no such number.
func groupedNumber(s string) (plain string, mark byte, ok bool) {
	s = strings.ReplaceAll(plainBlanks(s), "'", " ")
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	if i == 0 || i > 3 || i == len(s) || s[0] == '0' || s[i] != ',' && s[i] != '.' && s[i] != ' ' {
		return "", 0, false
	}
	mark = s[i]
	var b strings.Builder
	b.WriteString(s[:i])
	for i < len(s) && s[i] == mark {
		_, j := digits(s, i+1, 3)
		if j != i+4 {
			return "", 0, false
		}
		b.WriteString(s[i+1 : j])
		i = j
	}
	if i < len(s) {
		_, j := digits(s, i+1, 9)
		if s[i] != ',' && s[i] != '.' || j == i+1 || j != len(s) {
			return "", 0, false
		}
		b.WriteByte('.')
		b.WriteString(s[i+1:])
	}
	return b.String(), mark, true
}
