package recording

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// field is a stretch of a line between blanks, with the places of its first
// character and of the one behind it.
type field struct {
	text     string
	from, to int
}

// fieldsOf divides a line at runs of at least least blanks.
func fieldsOf(line string, least int) []field {
	var out []field
	at, from, start, run := 0, -1, 0, 0
	end, endAt := 0, 0
	for i, r := range line {
		if r == ' ' || r == '\u00a0' {
			run++
		} else {
			if from >= 0 && run >= least {
				out = append(out, field{line[start:end], from, endAt})
				from = -1
			}
			if from < 0 {
				from, start = at, i
			}
			run = 0
			end, endAt = i+utf8.RuneLen(r), at+1
		}
		at++
	}
	if from >= 0 {
		out = append(out, field{line[start:end], from, endAt})
	}
	return out
}

// tabsForBlanks rewrites a text whose columns are aligned by blanks so that
// tabs divide them; line numbers stay. Columns are divided by runs of at least
// least blanks. A row with fewer fields than the others keeps its empty cells
// if each of its fields stands under exactly one column; else it stays short,
// and the reader refuses it. The result is nil if the text holds tabs, or its
// head has no two rows that are alike.
func tabsForBlanks(body []byte, least int) []byte {
	if bytes.IndexByte(body, '\t') >= 0 || !utf8.Valid(body) {
		return nil
	}
	head := splitHead(body)
	count := map[int]int{}
	for _, l := range head {
		if f := fieldsOf(l.text, least); len(f) > 1 && len(f) <= maxWidth && dataLike(texts(f)) {
			count[len(f)]++
		}
	}
	width := 0
	for n, c := range count {
		if c > 1 && (c > count[width] || c == count[width] && n > width) {
			width = n
		}
	}
	if width == 0 {
		return nil
	}
	spans := make([]field, width)
	first := true
	for _, l := range head {
		f := fieldsOf(l.text, least)
		if len(f) != width || !dataLike(texts(f)) {
			continue
		}
		for c := range f {
			if first {
				spans[c] = f[c]
			}
			spans[c].from, spans[c].to = min(spans[c].from, f[c].from), max(spans[c].to, f[c].to)
		}
		first = false
	}
	out := make([]byte, 0, len(body)+len(body)/8)
	for len(body) > 0 {
		line, rest, found := bytes.Cut(body, []byte("\n"))
		body = rest
		text := strings.TrimSuffix(string(line), "\r")
		f := fieldsOf(text, least)
		cells := texts(f)
		if len(f) > 1 && len(f) < width {
			if under := alignedCells(f, spans); under != nil {
				cells = under
			}
		}
		out = append(out, strings.Join(cells, "\t")...)
		if found {
			out = append(out, '\n')
		}
	}
	return out
}

func texts(f []field) []string {
	out := make([]string, len(f))
	for i := range f {
		out[i] = f[i].text
	}
	return out
}

// alignedCells puts each field under the one column that it overlaps, or
// returns nil.
func alignedCells(f, spans []field) []string {
	cells := make([]string, len(spans))
	for _, x := range f {
		under := -1
		for c, s := range spans {
			if x.from < s.to && s.from < x.to {
				if under >= 0 {
					return nil
				}
				under = c
			}
		}
		if under < 0 || cells[under] != "" {
			return nil
		}
		cells[under] = x.text
	}
	return cells
}
