package web

import (
	"net"
	"net/netip"
	"sync"
	"time"
)

// How often the addresses that hold a secret are served (our choice: far above
// what a person at a page and its script need).
const (
	linkPace    = 300 // a minute, by one link
	addressPace = 600 // a minute, from one address of the network
	missPace    = 20  // in missEvery, from one address, of links that open nothing
	missEvery   = 10 * time.Minute
)

// paces counts what came lately, by key. It is kept in memory: what has to
// hold beyond that, the tries at a code, is counted in the case.
type paces struct {
	mu   sync.Mutex
	kept map[string]*paceCount
}

type paceCount struct {
	until time.Time
	n     int
}

const pacesKept = 8192

// take counts one more under key and reports whether it is still within the
// most that may come in every span; if not, how long to wait.
func (p *paces) take(key string, now time.Time, most int, every time.Duration) (wait time.Duration, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.kept[key]
	if c == nil || !now.Before(c.until) {
		if p.kept == nil || len(p.kept) >= pacesKept {
			p.sweep(now)
		}
		c = &paceCount{until: now.Add(every)}
		p.kept[key] = c
	}
	c.n++
	return c.until.Sub(now), c.n <= most
}

// full reports how long to wait if the most was reached under key, and counts
// nothing.
func (p *paces) full(key string, now time.Time, most int) (wait time.Duration, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if c := p.kept[key]; c != nil && now.Before(c.until) && c.n >= most {
		return c.until.Sub(now), true
	}
	return 0, false
}

// sweep forgets what is past, and everything if that makes no room.
func (p *paces) sweep(now time.Time) {
	for k, c := range p.kept {
		if !now.Before(c.until) {
			delete(p.kept, k)
		}
	}
	if p.kept == nil || len(p.kept) >= pacesKept {
		p.kept = make(map[string]*paceCount)
	}
}

// networkOf is the part of a remote address by which a sender is counted: all
// of an IPv4 address, and of an IPv6 address the half that a subscriber is
// given (RFC 4291 section 2.5.4 has interface identifiers of 64 bits).
func networkOf(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if ip = ip.Unmap().WithZone(""); ip.Is4() {
		return ip.String()
	}
	half, err := ip.Prefix(64)
	if err != nil {
		return host
	}
	return half.String()
}
