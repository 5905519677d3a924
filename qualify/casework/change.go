package casework

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"time"
)

// Kind names what an event changes.
type Kind string

// The kinds, each with the change type that it holds.
const (
	KindOpened            Kind = "opened"             // Opened
	KindPatientStated     Kind = "patient_stated"     // PatientStated
	KindFactsStated       Kind = "facts_stated"       // FactsStated
	KindFactWithdrawn     Kind = "fact_withdrawn"     // FactWithdrawn
	KindUploadAdded       Kind = "upload_added"       // UploadAdded
	KindUploadWithdrawn   Kind = "upload_withdrawn"   // UploadWithdrawn
	KindSessionChosen     Kind = "session_chosen"     // SessionChosen
	KindSpanJudged        Kind = "span_judged"        // SpanJudged
	KindIdentityConfirmed Kind = "identity_confirmed" // IdentityConfirmed
	KindDetermined        Kind = "determined"         // Determined
	KindViewed            Kind = "viewed"             // Viewed
	KindLinkMade          Kind = "link_made"          // LinkMade
	KindLinkRevoked       Kind = "link_revoked"       // LinkRevoked
	KindLinkTried         Kind = "link_tried"         // LinkTried
	KindAnswered          Kind = "answered"           // Answered
	KindCriticalTold      Kind = "critical_told"      // CriticalTold
	KindClosed            Kind = "closed"             // Closed
	KindReopened          Kind = "reopened"           // Reopened
	KindDestroyed         Kind = "destroyed"          // Destroyed
	KindDocumentAdded     Kind = "document_added"     // DocumentAdded
	KindDocumentWithdrawn Kind = "document_withdrawn" // DocumentWithdrawn
	KindAssigned          Kind = "assigned"           // Assigned
	KindSpansJudged       Kind = "spans_judged"       // SpansJudged
	KindDisputeTaken      Kind = "dispute_taken"      // DisputeTaken
	KindDisputeSettled    Kind = "dispute_settled"    // DisputeSettled
)

// look reports whether an event of this kind leaves the work on the case as it
// is: it changes nothing that a determination reads.
func (k Kind) look() bool { return k == KindViewed || k == KindLinkTried }

// Change is what one event does. The types of this file, of answer.go, of
// document.go, of link.go, of span.go and of state.go are all there are.
type Change interface {
	Kind() Kind
	// refs lists the personal values that the change points to.
	refs() []Ref
	// apply changes c, which shares no map or slice that apply may write to
	// unless apply copies it first.
	apply(c *Case, e Event) error
}

// decode reads the change of an event. A member that this version of the
// program does not know is an error: a case is refused rather than misread.
func decode(kind Kind, data []byte) (Change, error) {
	switch kind {
	case KindOpened:
		return decodeAs[Opened](data)
	case KindPatientStated:
		return decodeAs[PatientStated](data)
	case KindFactsStated:
		return decodeAs[FactsStated](data)
	case KindFactWithdrawn:
		return decodeAs[FactWithdrawn](data)
	case KindUploadAdded:
		return decodeAs[UploadAdded](data)
	case KindUploadWithdrawn:
		return decodeAs[UploadWithdrawn](data)
	case KindSessionChosen:
		return decodeAs[SessionChosen](data)
	case KindSpanJudged:
		return decodeAs[SpanJudged](data)
	case KindIdentityConfirmed:
		return decodeAs[IdentityConfirmed](data)
	case KindDetermined:
		return decodeAs[Determined](data)
	case KindViewed:
		return decodeAs[Viewed](data)
	case KindLinkMade:
		return decodeAs[LinkMade](data)
	case KindLinkRevoked:
		return decodeAs[LinkRevoked](data)
	case KindLinkTried:
		return decodeAs[LinkTried](data)
	case KindAnswered:
		return decodeAs[Answered](data)
	case KindCriticalTold:
		return decodeAs[CriticalTold](data)
	case KindClosed:
		return decodeAs[Closed](data)
	case KindReopened:
		return decodeAs[Reopened](data)
	case KindDestroyed:
		return decodeAs[Destroyed](data)
	case KindDocumentAdded:
		return decodeAs[DocumentAdded](data)
	case KindDocumentWithdrawn:
		return decodeAs[DocumentWithdrawn](data)
	case KindAssigned:
		return decodeAs[Assigned](data)
	case KindSpansJudged:
		return decodeAs[SpansJudged](data)
	case KindDisputeTaken:
		return decodeAs[DisputeTaken](data)
	case KindDisputeSettled:
		return decodeAs[DisputeSettled](data)
	}
	return nil, refused("kind %q is not known to this version of the program; use the version that wrote it or a later one", kind)
}

func decodeAs[T Change](data []byte) (Change, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	var v T
	if err := dec.Decode(&v); err != nil {
		return nil, refused("%s: %v; use the version of the program that wrote it or a later one", v.Kind(), err)
	}
	return v, nil
}

// Opened begins a case.
type Opened struct {
	Criteria []string `json:"criteria"` // regions of the criteria, at least one
	// Owner is who works on the case from the start, "" for nobody.
	Owner string `json:"owner,omitzero"`
}

// Kind returns KindOpened.
func (Opened) Kind() Kind  { return KindOpened }
func (Opened) refs() []Ref { return nil }
func (v Opened) apply(c *Case, e Event) error {
	if len(v.Criteria) == 0 || slices.Contains(v.Criteria, "") {
		return refused("a case needs the criteria by which it is judged, found %q", v.Criteria)
	}
	c.Criteria, c.OpenedAt, c.Owner = v.Criteria, e.At, v.Owner
	return nil
}

// PatientStated says who the patient is, by references to personal values.
type PatientStated struct {
	Name        Ref   `json:"name,omitzero"`
	BirthDate   Ref   `json:"birth_date,omitzero"`
	Identifiers []Ref `json:"identifiers,omitempty"`
	// Chosen is on what the criteria of the case were chosen: where the patient
	// lives, who pays, and why others were taken; "" if nothing was stated.
	Chosen Ref `json:"chosen,omitzero"`
	// Links are the links that it stops, by the SHA-256 of their secrets: whoever
	// has them was let in for another person.
	Links []string `json:"links,omitempty"`
}

// Kind returns KindPatientStated.
func (PatientStated) Kind() Kind { return KindPatientStated }
func (v PatientStated) refs() []Ref {
	return append([]Ref{v.Name, v.BirthDate, v.Chosen}, v.Identifiers...)
}
func (v PatientStated) apply(c *Case, e Event) error {
	if c.Patient.Name != "" {
		c.corrected = Since{e.K, e.At}
	}
	if err := c.stopLinks(v.Links); err != nil {
		return err
	}
	c.Patient = v
	c.Patient.Links = nil // of the event, not of the patient
	// Words that said why it is the same person were said of another name.
	c.Identity = Identity{}
	return nil
}

// Stated is the value of one fact: either Fact or Personal is set.
type Stated struct {
	Fact     json.RawMessage `json:"fact,omitempty"`    // JSON that this package does not read
	Personal Ref             `json:"personal,omitzero"` // the same JSON, sealed
}

func (v Stated) check(name string) error {
	if name == "" || (len(v.Fact) == 0) == (v.Personal == "") {
		return refused("fact %q needs either a value or a reference to a personal value", name)
	}
	return nil
}

// FactsStated states facts, custody among them: one event for all that one
// person sent at once, so that either all of it is stored or nothing.
type FactsStated struct {
	Facts map[string]Stated `json:"facts"` // by name
}

// Kind returns KindFactsStated.
func (FactsStated) Kind() Kind { return KindFactsStated }
func (v FactsStated) refs() []Ref {
	var out []Ref
	for _, f := range v.Facts {
		out = append(out, f.Personal)
	}
	return out
}
func (v FactsStated) apply(c *Case, e Event) error {
	if len(v.Facts) == 0 {
		return refused("no fact is stated")
	}
	c.Facts = maps.Clone(c.Facts)
	if c.Facts == nil {
		c.Facts = map[string]Statement{}
	}
	for name, f := range v.Facts {
		if err := f.check(name); err != nil {
			return err
		}
		c.Facts[name] = Statement{Stated: f, K: e.K, At: e.At, By: e.By, Role: e.Role}
	}
	return nil
}

// FactWithdrawn makes a fact absent again: it will be asked anew.
type FactWithdrawn struct {
	Name   string `json:"name"`
	Reason Ref    `json:"reason,omitzero"`
}

// Kind returns KindFactWithdrawn.
func (FactWithdrawn) Kind() Kind    { return KindFactWithdrawn }
func (v FactWithdrawn) refs() []Ref { return []Ref{v.Reason} }
func (v FactWithdrawn) apply(c *Case, e Event) error {
	if _, ok := c.Facts[v.Name]; !ok {
		return refused("fact %q is not stated, so it cannot be withdrawn", v.Name)
	}
	c.Facts = maps.Clone(c.Facts)
	delete(c.Facts, v.Name)
	return nil
}

// UploadAdded lays a recording on the case. Its bytes are in the store first.
type UploadAdded struct {
	SHA256 string `json:"sha256"`
	Size   int64  `json:"size"`          // bytes
	Name   Ref    `json:"name,omitzero"` // the name the file had: it may name a patient
}

// Kind returns KindUploadAdded.
func (UploadAdded) Kind() Kind    { return KindUploadAdded }
func (v UploadAdded) refs() []Ref { return []Ref{v.Name} }
func (v UploadAdded) apply(c *Case, e Event) error {
	if !isHash(v.SHA256) {
		return refused("an upload is named by its SHA-256 in lower-case hex, found %q", v.SHA256)
	}
	u := Upload{SHA256: v.SHA256, Size: v.Size, Name: v.Name, At: e.At, By: e.By, Role: e.Role}
	c.Uploads = slices.Clone(c.Uploads)
	i := c.uploadAt(v.SHA256)
	switch {
	case i < 0:
		c.Uploads = append(c.Uploads, u)
	case c.Uploads[i].Withdrawn:
		c.Uploads[i] = u
	default:
		return refused("the upload %s is on the case already", v.SHA256)
	}
	return nil
}

// UploadWithdrawn takes a recording out of consideration. Its bytes stay.
type UploadWithdrawn struct {
	SHA256 string `json:"sha256"`
	Reason Ref    `json:"reason"`
	// Links are the links that it stops, by the SHA-256 of their secrets: those
	// by which somebody outside could see it.
	Links []string `json:"links,omitempty"`
	// To is the number of the case to which it belongs, "" if none is named.
	To string `json:"to,omitzero"`
}

// Kind returns KindUploadWithdrawn.
func (UploadWithdrawn) Kind() Kind    { return KindUploadWithdrawn }
func (v UploadWithdrawn) refs() []Ref { return []Ref{v.Reason} }
func (v UploadWithdrawn) apply(c *Case, e Event) error {
	if v.Reason == "" {
		return refused("withdrawing a recording needs a reason in words")
	}
	if err := c.stopLinks(v.Links); err != nil {
		return err
	}
	return c.changeUpload(v.SHA256, func(u *Upload) { u.Withdrawn, u.Reason = true, v.Reason })
}

// SessionChosen says which stretch of a recording is judged and how the file
// is to be read.
type SessionChosen struct {
	SHA256  string `json:"sha256"`
	Session int    `json:"session,omitzero"` // from 1 in time order; 0 leaves the choice to the program
	// Reading holds the reading options (zone, columns, interval, hold) as
	// JSON that this package does not read.
	Reading json.RawMessage `json:"reading,omitempty"`
}

// Kind returns KindSessionChosen.
func (SessionChosen) Kind() Kind  { return KindSessionChosen }
func (SessionChosen) refs() []Ref { return nil }
func (v SessionChosen) apply(c *Case, e Event) error {
	if v.Session < 0 {
		return refused("sessions are numbered from 1, found %d", v.Session)
	}
	return c.changeUpload(v.SHA256, func(u *Upload) {
		if u.Session != v.Session || !bytes.Equal(u.Reading, v.Reading) {
			u.Spans = nil // they were judged in another stretch
			if u.Session != 0 {
				c.moved = Since{e.K, e.At}
			}
		}
		u.Session, u.Reading = v.Session, v.Reading
	})
}

// IdentityConfirmed says in words why differing names, birth dates or
// identifiers are of the same person.
type IdentityConfirmed struct {
	Words Ref `json:"words"`
}

// Kind returns KindIdentityConfirmed.
func (IdentityConfirmed) Kind() Kind    { return KindIdentityConfirmed }
func (v IdentityConfirmed) refs() []Ref { return []Ref{v.Words} }
func (v IdentityConfirmed) apply(c *Case, e Event) error {
	if v.Words == "" {
		return refused("say in words why it is the same person")
	}
	c.Identity = Identity{Words: v.Words, K: e.K, At: e.At, By: e.By, Role: e.Role}
	return nil
}

// Result is the summary of one determination, enough to tell later whether a
// new version of criteria or of the program gives another.
type Result struct {
	Criteria    string   `json:"criteria"`
	Version     string   `json:"version"`
	PackSHA256  string   `json:"pack_sha256"`
	Outcome     string   `json:"outcome"`
	Disposition string   `json:"disposition"`
	Status      string   `json:"status"`
	DecidedBy   []string `json:"decided_by"`
	Needs       []string `json:"needs"` // names of the facts that are left to ask
}

// Determined records what was determined, by which versions.
type Determined struct {
	Program string   `json:"program"` // version of the program
	Results []Result `json:"results"`
	// Critical names the critically low readings that were found, "" if there
	// are none: the same readings have the same name.
	Critical string `json:"critical,omitzero"`
	// Draft says that there was nothing to judge yet.
	Draft bool `json:"draft,omitzero"`
	// Due is the first day on which something that follows is due, as
	// 2006-01-02, "" for none, and DueFor what: a kind of consequence.
	Due    string `json:"due,omitzero"`
	DueFor string `json:"due_for,omitzero"`
	// Until is the last day on which the test serves, "" if none is named.
	Until string `json:"until,omitzero"`
	// Kept is all that the determination rests on, in a form that this package
	// does not read, so that it can be made again under other criteria without
	// the recordings.
	Kept Ref `json:"kept,omitzero"`
}

// Kind returns KindDetermined.
func (Determined) Kind() Kind    { return KindDetermined }
func (v Determined) refs() []Ref { return []Ref{v.Kept} }
func (v Determined) apply(c *Case, e Event) error {
	if len(v.Results) == 0 {
		return refused("a determination needs a result")
	}
	for _, day := range []string{v.Due, v.Until} {
		if _, err := time.Parse(dayForm, day); day != "" && err != nil {
			return refused("a determination names days such as 2026-03-02, found %q", day)
		}
	}
	c.Determination = &Determination{Program: v.Program, Results: v.Results, K: e.K, At: e.At, Critical: v.Critical,
		Draft: v.Draft, Due: v.Due, DueFor: v.DueFor, Until: v.Until, Kept: v.Kept}
	return nil
}

// Viewed records that somebody looked at the case. It changes nothing else.
type Viewed struct {
	Page string `json:"page"` // which page, in the words of the program
}

// Kind returns KindViewed.
func (Viewed) Kind() Kind                   { return KindViewed }
func (Viewed) refs() []Ref                  { return nil }
func (Viewed) apply(c *Case, e Event) error { return nil }

// CriticalTold records that the practitioner was told of a critically low
// reading.
type CriticalTold struct {
	SHA256 string `json:"sha256,omitzero"` // of the recording, if there is one
	Words  Ref    `json:"words"`           // who was told, by whom, when, and what they said
	Alert  string `json:"alert,omitzero"`  // Determined.Critical of the readings that were told
}

// Kind returns KindCriticalTold.
func (CriticalTold) Kind() Kind    { return KindCriticalTold }
func (v CriticalTold) refs() []Ref { return []Ref{v.Words} }
func (v CriticalTold) apply(c *Case, e Event) error {
	if v.Words == "" {
		return refused("say in words who was told of the critically low reading, and how")
	}
	c.CriticalTold = append(slices.Clone(c.CriticalTold), Told{SHA256: v.SHA256, Words: v.Words, Alert: v.Alert, K: e.K, At: e.At, By: e.By, Role: e.Role})
	return nil
}

// Closed ends the work on a case; retention counts from here.
type Closed struct {
	Reason Ref `json:"reason,omitzero"`
	// Links are the links that it stops, by the SHA-256 of their secrets: opening
	// the case again does not bring them back.
	Links []string `json:"links,omitempty"`
}

// Kind returns KindClosed.
func (Closed) Kind() Kind    { return KindClosed }
func (v Closed) refs() []Ref { return []Ref{v.Reason} }
func (v Closed) apply(c *Case, e Event) error {
	if c.AlertOpen() {
		return refused("a critically low reading is on the case, and nobody is entered as told: enter who was told, by whom and when")
	}
	c.ClosedAt = e.At
	return c.stopLinks(v.Links)
}

// Reopened takes the work up again.
type Reopened struct {
	Reason Ref `json:"reason,omitzero"`
}

// Kind returns KindReopened.
func (Reopened) Kind() Kind    { return KindReopened }
func (v Reopened) refs() []Ref { return []Ref{v.Reason} }
func (v Reopened) apply(c *Case, e Event) error {
	if c.ClosedAt.IsZero() {
		return refused("the case is open")
	}
	c.ClosedAt = time.Time{}
	return nil
}

// Destroyed says that the personal values and uploads of the case are gone
// for good. Call Destroy, which writes it and does it.
type Destroyed struct {
	Reason string `json:"reason"` // such as the rule of retention; no personal value
}

// Kind returns KindDestroyed.
func (Destroyed) Kind() Kind  { return KindDestroyed }
func (Destroyed) refs() []Ref { return nil }
func (v Destroyed) apply(c *Case, e Event) error {
	if v.Reason == "" {
		return refused("destroying personal values needs a reason")
	}
	if c.ClosedAt.IsZero() {
		return refused("the case is open; close it before its personal values are destroyed")
	}
	c.DestroyedAt = e.At
	return nil
}
