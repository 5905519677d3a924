package criteria

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"airwarrant/rules"
)

// Confirmation is the record that somebody has read a draft text of a pack in
// the document itself. It holds for exactly the bytes of the pack that were
// read.
type Confirmation struct {
	Region     string
	Version    rules.Date // effective_from of the pack
	PackSHA256 string     // lower-case hex
	Clause     string     // id of the clause, deferral or override
	By         string     // who read it
	On         rules.Date // when
	Edition    string     // of the document that was seen
	// DocumentSHA256 is the hash of a private copy of what was read,
	// lower-case hex: the copy stays with whoever made it.
	DocumentSHA256 string
	// Seal chains the record to those before it in its file; see SealOf. ""
	// in a file that was typed.
	Seal string

	// problem is a fault of a key at its place in the file.
	problem func(key string, f *fault) rules.Problem
}

// Confirmations are the confirmations of one pack by clause id: such a draft
// decides.
type Confirmations map[string]Confirmation

// String tells who confirmed, when and from what.
func (c Confirmation) String() string { return c.in(rules.Language{}) }

func (c Confirmation) in(l rules.Language) string {
	return l.Say("%s on %s, in %s", c.By, c.On, c.Edition)
}

// fields lists keys and values in the order of the file, without the seal.
func (c Confirmation) fields() [][2]string {
	return [][2]string{{"region", c.Region}, {"version", c.Version.String()}, {"pack_sha256", c.PackSHA256}, {"clause", c.Clause},
		{"by", c.By}, {"on", c.On.String()}, {"edition", c.Edition}, {"document_sha256", c.DocumentSHA256}}
}

// YAML returns the record as an entry of the list that ParseConfirmations
// reads.
func (c Confirmation) YAML() string {
	var b strings.Builder
	start := "- "
	for _, f := range append(c.fields(), [2]string{"seal", c.Seal}) {
		if f[1] != "" {
			fmt.Fprintf(&b, "%s%s: %q\n", start, f[0], f[1])
			start = "  "
		}
	}
	return b.String()
}

// SealOf returns the seal of a record behind one with the seal previous, ""
// for the first: the SHA-256 of previous and of all values, each with its
// length before it, in lower-case hex. Whoever changes, removes or reorders
// records has to make every later seal anew.
func SealOf(previous string, c Confirmation) string {
	h := sha256.New()
	fmt.Fprintf(h, "%d:%s", len(previous), previous)
	for _, f := range c.fields() {
		fmt.Fprintf(h, "%d:%s", len(f[1]), f[1])
	}
	return hex.EncodeToString(h.Sum(nil))
}

// ParseConfirmations reads a list of confirmations: region, version,
// pack_sha256, clause, by, on, edition, document_sha256, and in a file that a
// program keeps, seal. An empty file confirms nothing. Either every record
// has a seal or none has, and each has to fit. file is the name that errors
// carry. The error is a rules.Problems with every fault, and the list is then
// nil.
func ParseConfirmations(yaml []byte, file string) ([]Confirmation, error) {
	d := &document{file: file}
	root := d.open(yaml)
	var out []Confirmation
	if root != nil {
		list, ok := root.(*ast.SequenceNode)
		if !ok {
			d.fault(root, "", &fault{said("a list of confirmations"), shape(root), said("begin each with - region:")})
			return nil, d.err()
		}
		previous := ""
		for i, n := range list.Values {
			c := d.confirmation(n, fmt.Sprintf("[%d]", i))
			switch want := SealOf(previous, c); {
			case len(d.faults) > 0: // a seal over what could not be read says nothing
			case i > 0 && (c.Seal == "") != (previous == ""):
				d.faults = append(d.faults, c.problem("seal", &fault{said("a seal on every record or on none"), said("both kinds"), said("delete the seals, or take the file as the program kept it")}))
			case c.Seal != "" && c.Seal != want:
				d.faults = append(d.faults, c.problem("seal", &fault{said("the seal of this record behind the one before it"), verbatim(c.Seal),
					said("a record was changed, removed or moved: take the file as the program kept it")}))
			}
			previous = c.Seal
			out = append(out, c)
		}
	}
	if err := d.err(); err != nil {
		return nil, err
	}
	return out, nil
}

var hashForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (d *document) confirmation(n ast.Node, key string) Confirmation {
	c := Confirmation{}
	names := []string{"region", "version", "pack_sha256", "clause", "by", "on", "edition", "document_sha256", "seal"}
	m := d.keys(n, key, names...)
	c.problem = func(name string, f *fault) rules.Problem {
		at := n
		if e, ok := m[name]; ok {
			at = e.node
		}
		line, column := place(at)
		return rules.Problem{File: d.file, Line: line, Column: column, Key: path(key, name), Expected: f.expected, Found: f.found, Mend: f.mend}
	}
	refuse := func(name string, f *fault) {
		if len(d.faults) < maxFaults {
			d.faults = append(d.faults, c.problem(name, f))
		}
	}
	text := func(name string) string {
		e, ok := m[name]
		if !ok {
			if name != "seal" {
				refuse(name, &fault{said("the key %s", name), said("none"), said("add %s:", name)})
			}
			return ""
		}
		s, ok := scalar(e.node)
		if s = strings.TrimSpace(s); !ok || s == "" || len(s) > 300 {
			refuse(name, &fault{said("one line of text, at most 300 bytes"), shape(e.node), said("write it on the line")})
			return ""
		}
		return s
	}
	date := func(name string) rules.Date {
		s := text(name)
		v, err := rules.ParseDate(s)
		if err != nil && s != "" {
			refuse(name, &fault{said("a day of the calendar as YYYY-MM-DD"), verbatim(s), said("write the date, such as 2030-01-31")})
		}
		return v
	}
	hash := func(name string) string {
		s := text(name)
		if s != "" && !hashForm.MatchString(s) {
			refuse(name, &fault{said("a SHA-256 as 64 digits of 0-9 and a-f"), verbatim(s), said("write the hash of the file in full, in small letters")})
		}
		return s
	}
	if _, ok := n.(ast.MapNode); !ok {
		return c // told by keys
	}
	c.Region, c.Version, c.PackSHA256, c.Clause = text("region"), date("version"), hash("pack_sha256"), text("clause")
	c.By, c.On, c.Edition, c.DocumentSHA256 = text("by"), date("on"), text("edition"), hash("document_sha256")
	if _, ok := m["seal"]; ok {
		c.Seal = hash("seal")
	}
	return c
}

// check says why a confirmation does not hold in a library, nil if it does.
func (c Confirmation) check(lib *rules.Library) (key string, f *fault) {
	p, err := lib.At(c.Region, c.Version)
	if err != nil {
		if _, unknown := lib.Region(c.Region); unknown != nil {
			return "region", &fault{said("a region of the packs in use"), verbatim(c.Region), said("take the packs that were confirmed, or mend the name")}
		}
		return "version", &fault{said("a version of %s", c.Region), literal(c.Version.String()), said("take the packs that were confirmed, or mend the date")}
	}
	if p.SHA256 != c.PackSHA256 {
		return "pack_sha256", &fault{said("the hash of the pack in use, %s", p.SHA256), literal(c.PackSHA256),
			said("a confirmation holds for exactly the file that was read: read the clause again and confirm it anew")}
	}
	drafts := p.Drafts()
	ids := make([]string, len(drafts))
	for i, t := range drafts {
		ids[i] = t.ID
	}
	if !slices.Contains(ids, c.Clause) {
		return "clause", &fault{said("a draft of %s", p.File), verbatim(c.Clause), closest(c.Clause, ids)}
	}
	return "", nil
}

// Holds reports whether the confirmation is for a pack of the library, byte
// for byte, and for a draft of it.
func (c Confirmation) Holds(lib *rules.Library) bool {
	_, f := c.check(lib)
	return f == nil
}

// Confirmed sorts confirmations by the SHA-256 of their pack; the last of
// several of one clause counts. It takes none that does not hold in the
// library: the error is then a rules.Problems with every fault. list has to
// come from ParseConfirmations.
func Confirmed(list []Confirmation, lib *rules.Library) (map[string]Confirmations, error) {
	out := map[string]Confirmations{}
	var faults rules.Problems
	for _, c := range list {
		if key, f := c.check(lib); f != nil {
			faults = append(faults, c.problem(key, f))
			continue
		}
		if out[c.PackSHA256] == nil {
			out[c.PackSHA256] = Confirmations{}
		}
		out[c.PackSHA256][c.Clause] = c
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return out, nil
}

// Holding sorts confirmations as Confirmed does and leaves out those that do not
// hold: of a pack that has changed since, for instance.
func Holding(list []Confirmation, lib *rules.Library) map[string]Confirmations {
	out := map[string]Confirmations{}
	for _, c := range list {
		if !c.Holds(lib) {
			continue
		}
		if out[c.PackSHA256] == nil {
			out[c.PackSHA256] = Confirmations{}
		}
		out[c.PackSHA256][c.Clause] = c
	}
	return out
}
