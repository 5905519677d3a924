package editions

import "airwarrant/rules"

// Reading is that somebody looked a document of a version up: it stands as it
// was, or a new edition came. It resets what is due.
type Reading struct {
	By      Signed     `json:"by"`
	Region  string     `json:"region"`
	Version rules.Date `json:"version"`
	Cite    string     `json:"cite"` // name of the citation in the version
	// SHA256 is of the private copy, "" if none was taken; the store keeps it for
	// as long as the entry, and no page serves it to anybody but maintainers.
	SHA256  string     `json:"sha256,omitempty"`
	Uploads []string   `json:"uploads,omitempty"`
	Next    rules.Date `json:"next"` // day on which it is due again
}
