package casework

import (
	"slices"
	"time"
)

// Document is a paper on the case: the signed report of the test, an order, a
// note. What is printed on it that may name somebody lies beside the chain.
type Document struct {
	SHA256 string `json:"sha256"`
	Size   int64  `json:"size"`  // bytes
	Media  string `json:"media"` // media type, by content: image/png, application/pdf
	Kind   string `json:"kind"`  // report, order, note, other
	Pages  int    `json:"pages"` // at least 1
	// Printed is whose it is, of which date and by whom, as this package does
	// not read it.
	Printed   Ref       `json:"printed,omitzero"`
	Name      Ref       `json:"name,omitzero"` // the name the file had: it may name a patient
	For       []string  `json:"for,omitempty"` // names of the facts of which it is the copy
	At        time.Time `json:"at"`
	By        string    `json:"by"`
	Role      Role      `json:"role"`
	K         int       `json:"-"` // of its event; not hashed, so that old chains verify
	Withdrawn bool      `json:"withdrawn,omitzero"`
	Reason    Ref       `json:"reason,omitzero"` // why withdrawn
}

// documentKinds are what a document can be.
var documentKinds = []string{"report", "order", "note", "other"}

func (c *Case) documentAt(sha string) int {
	return slices.IndexFunc(c.Documents, func(d Document) bool { return d.SHA256 == sha })
}

// DocumentAdded lays a document on the case. Its bytes are in the store first.
// The fields are those of Document.
type DocumentAdded struct {
	SHA256  string `json:"sha256"`
	Size    int64  `json:"size"`
	Media   string `json:"media"`
	Is      string `json:"kind"`
	Pages   int    `json:"pages"`
	Printed Ref    `json:"printed,omitzero"`
	Name    Ref    `json:"name,omitzero"`
	// For are the facts of which the document is the copy.
	For []string `json:"for,omitempty"`
}

// Kind returns KindDocumentAdded.
func (DocumentAdded) Kind() Kind    { return KindDocumentAdded }
func (v DocumentAdded) refs() []Ref { return []Ref{v.Printed, v.Name} }
func (v DocumentAdded) apply(c *Case, e Event) error {
	switch {
	case !isHash(v.SHA256):
		return refused("a document is named by its SHA-256 in lower-case hex, found %q", v.SHA256)
	case !slices.Contains(documentKinds, v.Is):
		return refused("a document is a report, order, note or other, found %q", v.Is)
	case v.Media == "" || v.Pages < 1:
		return refused("a document needs its media type and at least one page, found %q and %d", v.Media, v.Pages)
	}
	d := Document{SHA256: v.SHA256, Size: v.Size, Media: v.Media, Kind: v.Is, Pages: v.Pages, Printed: v.Printed, Name: v.Name, For: v.For, At: e.At, By: e.By, Role: e.Role, K: e.K}
	c.Documents = slices.Clone(c.Documents)
	i := c.documentAt(v.SHA256)
	switch {
	case i < 0:
		c.Documents = append(c.Documents, d)
	case c.Documents[i].Withdrawn:
		c.Documents[i] = d
	default:
		return refused("the document %s is on the case already", v.SHA256)
	}
	return nil
}

// DocumentWithdrawn takes a document out of consideration. Its bytes stay.
type DocumentWithdrawn struct {
	SHA256 string `json:"sha256"`
	Reason Ref    `json:"reason"`
}

// Kind returns KindDocumentWithdrawn.
func (DocumentWithdrawn) Kind() Kind    { return KindDocumentWithdrawn }
func (v DocumentWithdrawn) refs() []Ref { return []Ref{v.Reason} }
func (v DocumentWithdrawn) apply(c *Case, e Event) error {
	if v.Reason == "" {
		return refused("withdrawing a document needs a reason in words")
	}
	i := c.documentAt(v.SHA256)
	if i < 0 || c.Documents[i].Withdrawn {
		return refused("the document %q is not on the case", v.SHA256)
	}
	c.Documents = slices.Clone(c.Documents)
	c.Documents[i].Withdrawn, c.Documents[i].Reason = true, v.Reason
	return nil
}
