package web

import (
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// policy allows what the pages use and nothing else: one style sheet and one
// script of our own, pictures drawn into the page, forms to ourselves.
const policy = "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; " + formsToUs + "; frame-ancestors 'none'; base-uri 'none'"

const formsToUs = "form-action 'self'"

// policyWith allows forms to one more origin besides.
func policyWith(origin string) string {
	return strings.Replace(policy, formsToUs, formsToUs+" "+origin, 1)
}

// guardHeaders sets what every answer carries.
func guardHeaders(h http.Header, r *http.Request) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if secure(r) {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

// serves reports whether the site answers under a name.
func (s *Site) serves(host string) bool {
	if loopback(host) {
		return true
	}
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return slices.ContainsFunc(s.cfg.Hosts, func(name string) bool { return strings.EqualFold(name, host) })
}

// secure reports whether the browser speaks TLS: whatever is served under
// another name than loopback's has a proxy in front that does.
func secure(r *http.Request) bool { return r.TLS != nil || !loopback(r.Host) }

// loopback reports whether the request was addressed to this machine by a
// loopback name. A page elsewhere that lets its own name point here (DNS
// rebinding) is thereby refused.
func loopback(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// sameOrigin reports whether a change comes from a page of ours, as far as
// the browser says. The form token is checked besides.
func sameOrigin(r *http.Request) bool {
	if f := r.Header.Get("Sec-Fetch-Site"); f != "" {
		return f == "same-origin"
	}
	// Browsers send "null" from a page with our referrer policy: it says
	// nothing, and the token has to do.
	if o := r.Header.Get("Origin"); o != "" && o != "null" {
		u, err := url.Parse(o)
		return err == nil && u.Host == r.Host
	}
	return true
}
