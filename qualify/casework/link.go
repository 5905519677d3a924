package casework

import (
	"slices"
	"time"
)

// Link is a link by which somebody outside opens the case.
type Link struct {
	SHA256  string    `json:"sha256"` // of its secret
	Role    Role      `json:"role"`
	Expires time.Time `json:"expires"`
	Revoked bool      `json:"revoked,omitzero"`
	By      string    `json:"by"`
	Code    string    `json:"code,omitzero"`   // LinkMade.Code
	Wrong   int       `json:"wrong,omitzero"`  // how often a wrong code was given
	Office  string    `json:"office,omitzero"` // LinkMade.Office
}

// LinkTries is how often a wrong code may be given before a link opens nothing
// any more (our choice: five tries at six digits leave a guess five chances in
// a million).
const LinkTries = 5

// Opens reports whether the link still opens its case at the given instant,
// for whoever has its code.
func (l Link) Opens(at time.Time) bool {
	return !l.Revoked && l.Wrong < LinkTries && at.Before(l.Expires)
}

// LinkAt returns the link whose secret has this SHA-256, if it opens the case
// at the given instant.
func (c *Case) LinkAt(sha string, at time.Time) (Link, bool) {
	i := slices.IndexFunc(c.Links, func(l Link) bool { return l.SHA256 == sha })
	if i < 0 || !c.Links[i].Opens(at) || !c.DestroyedAt.IsZero() {
		return Link{}, false
	}
	return c.Links[i], true
}

// LinkMade lets somebody outside in by a link that expires. The link holds
// nothing but a secret; the case holds the secret's hash.
type LinkMade struct {
	SHA256  string    `json:"sha256"`  // of the secret
	Role    Role      `json:"role"`    // office or tester
	Expires time.Time `json:"expires"` // first instant at which it no longer opens
	// Code is the hash of the code that opens it besides, in lower-case hex,
	// under a key that the chain does not hold; "" for none.
	Code string `json:"code,omitzero"`
	// Office names the physician's office whose account opens the case by this
	// link, without secret and code; "" for a link that is sent.
	Office string `json:"office,omitzero"`
}

// Kind returns KindLinkMade.
func (LinkMade) Kind() Kind  { return KindLinkMade }
func (LinkMade) refs() []Ref { return nil }
func (v LinkMade) apply(c *Case, e Event) error {
	if !isHash(v.SHA256) || (v.Role != RoleOffice && v.Role != RoleTester) {
		return refused("a link needs the SHA-256 of its secret and the role office or tester, found %q", v.Role)
	}
	if v.Code != "" && !isHash(v.Code) {
		return refused("the code of a link is kept as its hash alone")
	}
	if v.Office != "" && (v.Role != RoleOffice || v.Code != "") {
		return refused("a link for the account of an office has the role office and no code")
	}
	if !v.Expires.After(e.At) {
		return refused("a link must expire after it is made, found %s", v.Expires.Format(time.RFC3339))
	}
	if v.Role == RoleOffice {
		c.asked = e.K
	}
	c.Links = append(slices.Clone(c.Links), Link{SHA256: v.SHA256, Role: v.Role, Expires: v.Expires.UTC(), By: e.By, Code: v.Code, Office: v.Office})
	return nil
}

// LinkRevoked closes a link before it expires.
type LinkRevoked struct {
	SHA256 string `json:"sha256"`
}

// Kind returns KindLinkRevoked.
func (LinkRevoked) Kind() Kind  { return KindLinkRevoked }
func (LinkRevoked) refs() []Ref { return nil }
func (v LinkRevoked) apply(c *Case, e Event) error {
	return c.changeLink(v.SHA256, func(l *Link) { l.Revoked = true })
}

// LinkTried records that somebody gave a code at a link. Each wrong one is an
// event, so that tries that come at once are counted one by one.
type LinkTried struct {
	SHA256 string `json:"sha256"`
	Right  bool   `json:"right,omitzero"`
}

// Kind returns KindLinkTried.
func (LinkTried) Kind() Kind  { return KindLinkTried }
func (LinkTried) refs() []Ref { return nil }
func (v LinkTried) apply(c *Case, e Event) error {
	if l, ok := c.LinkAt(v.SHA256, e.At); !ok || l.Code == "" {
		return refused("the case has no such link that waits for a code")
	}
	return c.changeLink(v.SHA256, func(l *Link) {
		if !v.Right {
			l.Wrong++
		}
	})
}

// OpenLinks are the links that open the case at the given instant, by the
// SHA-256 of their secrets.
func (c *Case) OpenLinks(at time.Time) []string {
	var out []string
	for _, l := range c.Links {
		if l.Opens(at) {
			out = append(out, l.SHA256)
		}
	}
	return out
}

// stopLinks revokes links.
func (c *Case) stopLinks(hashes []string) error {
	for _, sha := range hashes {
		if err := c.changeLink(sha, func(l *Link) { l.Revoked = true }); err != nil {
			return err
		}
	}
	return nil
}

func (c *Case) changeLink(sha string, change func(*Link)) error {
	i := slices.IndexFunc(c.Links, func(l Link) bool { return l.SHA256 == sha })
	if i < 0 {
		return refused("the case has no such link")
	}
	c.Links = slices.Clone(c.Links)
	change(&c.Links[i])
	return nil
}
