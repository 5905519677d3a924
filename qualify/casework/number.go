package casework

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// symbols of the random part of a case number, each at the index that is its
// value for the check symbol; a digit is worth itself. They are 23, a prime,
// so that the check symbol catches what it says. No vowels, so that no words
// arise, and none of 0 1 D I L N O S U Y Z, which are misread or misheard for
// another (our choice).
const symbols = "WX23456789BCFGHJKMPQRTV"

// numberLen counts the symbols of a number without its hyphen: year and
// month, five random, one to check.
const numberLen = 10

// NewNumber returns a case number such as 2603-7KQ4X2: the year and month of
// opening, five symbols from random, and a check symbol. It tells nothing of
// the patient and little of how many cases there are. A number may be taken:
// Create says so.
func NewNumber(opened time.Time, random io.Reader) (string, error) {
	n := []byte(opened.UTC().Format("0601"))
	for len(n) < numberLen-1 {
		var b [1]byte
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return "", fmt.Errorf("no random bytes for a case number: %w", err)
		}
		// 253 is 11 × 23: taking the rest of a larger byte would favour some.
		if b[0] < 253 {
			n = append(n, symbols[b[0]%23])
		}
	}
	n = append(n, checkSymbol(n))
	return string(n[:4]) + "-" + string(n[4:]), nil
}

// ParseNumber reads a case number as a person types it, in small letters or
// without the hyphen, and returns it as NewNumber wrote it. One wrong symbol,
// and two neighbours exchanged, are always noticed: a wrong case would join
// two patients.
func ParseNumber(s string) (string, error) {
	n := strings.ToUpper(strings.TrimSpace(s))
	if len(n) > 4 && n[4] == '-' {
		n = n[:4] + n[5:]
	}
	if len(n) == numberLen && strings.Trim(n[:4], "0123456789") == "" && strings.Trim(n[4:], symbols) == "" &&
		checkSymbol([]byte(n[:numberLen-1])) == n[numberLen-1] {
		return n[:4] + "-" + n[4:], nil
	}
	return "", fmt.Errorf("expected a case number such as 2603-7KQ4X2, found %q; compare it with the worksheet, symbol by symbol", clip(s, 40))
}

// checkSymbol is the sum of the symbols times their places, modulo 23. Our
// choice: no place and no difference of places is a multiple of 23, so one
// changed symbol and two exchanged neighbours alter it.
func checkSymbol(n []byte) byte {
	sum := 0
	for i, c := range n {
		v := strings.IndexByte(symbols, c)
		if v < 0 {
			v = int(c - '0') // 0 and 1, in the date alone
		}
		sum += (i + 1) * v
	}
	return symbols[sum%23]
}

func clip(s string, n int) string {
	if len(s) > n {
		return s[:n] + "…"
	}
	return s
}
