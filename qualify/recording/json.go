package recording

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"airwarrant/rules/wording"
)

// JSON is walked token by token, so that a key that stands twice is noticed,
// numbers keep their digits and every message names a place.

const (
	maxJSONDepth = 64
	// maxJSONNodes bounds one resource; an Observation has some hundred.
	maxJSONNodes = 100_000
	maxJSONKeys  = 500 // of one object
)

// jsonNode is a value: kind is { [ s n b or 0 (null). text is the string, the
// digits of the number or the boolean.
type jsonNode struct {
	kind  byte
	at    int64 // byte of its beginning
	text  string
	keys  []string // of an object
	items []*jsonNode
}

// get returns the member of an object, nil if n is none or has no such.
func (n *jsonNode) get(key string) *jsonNode {
	if n == nil || n.kind != '{' {
		return nil
	}
	for i, k := range n.keys {
		if k == key {
			return n.items[i]
		}
	}
	return nil
}

// list returns the elements of an array, none if n is no array.
func (n *jsonNode) list() []*jsonNode {
	if n == nil || n.kind != '[' {
		return nil
	}
	return n.items
}

// str returns a string, "" if n is none.
func (n *jsonNode) str() string {
	if n == nil || n.kind != 's' {
		return ""
	}
	return n.text
}

// jsonSpan is a value that was passed over: data[from:to].
type jsonSpan struct{ from, to int64 }

// jsonParser reads one value of data, which begins at byte base of the file.
type jsonParser struct {
	data  []byte
	base  int64
	path  string // of the value
	dec   *json.Decoder
	nodes int
	// entries takes the elements of a member "entry" of the outermost
	// object instead of the tree, where it is not nil.
	entries *[]jsonSpan
}

func (p *jsonParser) fail(at int64, path string, expected, found wording.Text) error {
	return &FormatError{Format: "FHIR", Offset: p.base + at, Field: wording.Verbatim(path), Err: ErrFormat, Expected: expected, Found: found, Mend: fhirMend}
}

// next is where the next value or key begins.
func (p *jsonParser) next() int64 {
	at := p.dec.InputOffset()
	rest := p.data[at:]
	return at + int64(len(rest)-len(bytes.TrimLeft(rest, " \t\r\n,:")))
}

func (p *jsonParser) token(path string) (json.Token, int64, error) {
	at := p.next()
	t, err := p.dec.Token()
	if err == nil {
		return t, at, nil
	}
	found := wording.Said("something else")
	var syntax *json.SyntaxError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		found = wording.Said("the end of the file")
		at = int64(len(p.data))
	case errors.As(err, &syntax):
		at = min(int64(len(p.data)), syntax.Offset)
		found = wording.Said("a fault of syntax")
	}
	return nil, at, p.fail(at, path, wording.Verbatim("JSON"), found)
}

// parse reads the whole of data as one value.
func (p *jsonParser) parse() (*jsonNode, error) {
	p.dec = json.NewDecoder(bytes.NewReader(p.data))
	p.dec.UseNumber()
	n, err := p.value(p.path, 0)
	if err != nil {
		return nil, err
	}
	if at := p.next(); at < int64(len(p.data)) {
		return nil, p.fail(at, p.path, wording.Said("one resource and nothing after it"), wording.Said("more"))
	}
	return n, nil
}

func (p *jsonParser) value(path string, depth int) (*jsonNode, error) {
	t, at, err := p.token(path)
	if err != nil {
		return nil, err
	}
	if depth > maxJSONDepth {
		return nil, p.fail(at, path, wording.Said("at most %d levels", maxJSONDepth), wording.Said("more"))
	}
	if p.nodes++; p.nodes > maxJSONNodes {
		return nil, p.fail(at, path, wording.Said("a resource of at most %d values", maxJSONNodes), wording.Said("more"))
	}
	n := &jsonNode{at: p.base + at}
	switch v := t.(type) {
	case string:
		n.kind, n.text = 's', v
	case json.Number:
		n.kind, n.text = 'n', v.String()
	case bool:
		n.kind, n.text = 'b', fmt.Sprint(v)
	case nil:
		n.kind = '0'
	case json.Delim:
		n.kind = byte(v)
		for i := 0; p.dec.More(); i++ {
			inner := fmt.Sprintf("%s[%d]", path, i)
			if n.kind == '{' {
				key, at, err := p.token(path)
				if err != nil {
					return nil, err
				}
				name := key.(string) // a Decoder gives no other key
				if len(n.keys) == maxJSONKeys {
					return nil, p.fail(at, path, wording.Said("at most %d keys", maxJSONKeys), wording.Said("more"))
				}
				if n.get(name) != nil {
					return nil, p.fail(at, path, wording.Said("each key once"), wording.Said("one twice"))
				}
				inner = strings.TrimPrefix(path+"."+shorten(name, 40), ".")
				if depth == 0 && name == "entry" && p.entries != nil {
					n.keys, n.items = append(n.keys, name), append(n.items, &jsonNode{kind: '['})
					if err := p.passOver(inner); err != nil {
						return nil, err
					}
					continue
				}
				n.keys = append(n.keys, name)
			}
			item, err := p.value(inner, depth+1)
			if err != nil {
				return nil, err
			}
			n.items = append(n.items, item)
		}
		if _, _, err := p.token(path); err != nil {
			return nil, err
		}
	}
	return n, nil
}

// passOver notes where the elements of an array lie and keeps none of them.
func (p *jsonParser) passOver(path string) error {
	t, at, err := p.token(path)
	if err != nil {
		return err
	}
	if t != json.Delim('[') {
		return p.fail(at, path, wording.Said("a list"), wording.Said("something else"))
	}
	for p.dec.More() {
		from := p.next()
		for depth := 0; ; {
			t, at, err := p.token(path)
			if err != nil {
				return err
			}
			switch t {
			case json.Delim('{'), json.Delim('['):
				depth++
			case json.Delim('}'), json.Delim(']'):
				depth--
			}
			if depth > maxJSONDepth {
				return p.fail(at, path, wording.Said("at most %d levels", maxJSONDepth), wording.Said("more"))
			}
			if depth == 0 {
				break
			}
		}
		*p.entries = append(*p.entries, jsonSpan{from, p.dec.InputOffset()})
	}
	_, _, err = p.token(path)
	return err
}
