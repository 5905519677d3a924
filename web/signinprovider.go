package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"airwarrant/web/accounts"
	"airwarrant/web/provider"
)

const (
	providerCookie = "airwarrant-provider"
	// providerWaits is how long a browser may stay with the provider (our
	// choice: a password, a second factor and a phone call).
	providerWaits = 15 * time.Minute
)

// atProvider is what the cookie of a browser that was sent to the provider
// holds. It goes back to ReturnPath alone.
type atProvider struct {
	provider.Pending
	To    string `json:"to,omitempty"`
	Until int64  `json:"u"` // Unix seconds
}

func (s *Site) setProviderCookie(w http.ResponseWriter, r *http.Request, value string, age time.Duration) {
	http.SetCookie(w, &http.Cookie{Name: providerCookie, Path: provider.ReturnPath, HttpOnly: true, Secure: secure(r),
		// The provider's page leads back here: Strict would hold the cookie back.
		SameSite: http.SameSiteLaxMode, MaxAge: int(age.Seconds()), Value: value})
}

// toProvider sends the browser to the sign-in provider.
func (s *Site) toProvider(w http.ResponseWriter, q *request) error {
	if s.cfg.Provider == nil {
		return errNoPage
	}
	address, pending, err := s.cfg.Provider.Begin(q.Context(), s.cfg.Random)
	if err != nil {
		return s.providerFailed(w, q, err)
	}
	raw, err := json.Marshal(atProvider{pending, safePath(q.URL.Query().Get("to")), s.cfg.Now().Add(providerWaits).Unix()})
	if err != nil {
		return err
	}
	s.setProviderCookie(w, q.Request, s.signed("provider", raw), providerWaits)
	seeOther(w, address)
	return nil
}

// fromProvider signs in the person for whom the provider vouches.
func (s *Site) fromProvider(w http.ResponseWriter, q *request) error {
	if s.cfg.Provider == nil {
		return errNoPage
	}
	var was atProvider
	if c, err := q.Cookie(providerCookie); err == nil {
		if raw, ok := s.unsign("provider", c.Value); !ok || json.Unmarshal(raw, &was) != nil || s.cfg.Now().Unix() >= was.Until {
			was = atProvider{}
		}
	}
	// What was asked for is answered once.
	s.setProviderCookie(w, q.Request, "", -time.Second)
	person, err := s.cfg.Provider.Finish(q.Context(), was.Pending, q.URL.Query())
	if err != nil {
		return s.providerFailed(w, q, err)
	}
	token, err := s.accounts.Admit(q.Context(), person, s.addressOf(q.Request))
	var form *accounts.FormError
	switch {
	case errors.Is(err, accounts.ErrNoRole):
		s.showFirst(w, q, http.StatusForbidden, firstPage{Say: "The sign-in provider knows you, and none of the groups that it names for you has a role here. Ask an administrator which group you need."})
		return nil
	case errors.Is(err, accounts.ErrRefused):
		s.showFirst(w, q, http.StatusForbidden, firstPage{Say: "Your account is disabled here. Ask an administrator."})
		return nil
	case errors.As(err, &form):
		s.showFirst(w, q, http.StatusForbidden, firstPage{Say: "The groups that the sign-in provider names for you give roles that do not go together. Ask an administrator: the role of a physician's office stands alone."})
		return nil
	case err != nil:
		return err
	}
	return s.goIn(w, q, token, was.To)
}

// providerFailed says on the sign-in page why nobody was signed in. A provider
// that cannot be reached is somebody's to mend, so its kind is logged.
func (s *Site) providerFailed(w http.ResponseWriter, q *request, err error) error {
	if q.Context().Err() != nil {
		return err
	}
	if errors.Is(err, provider.ErrRefused) {
		s.showFirst(w, q, http.StatusForbidden, firstPage{Say: "The sign-in was not finished: the provider did not vouch for you, or the answer was not the one that this browser had asked for. Try again from here."})
		return nil
	}
	ref := s.reference()
	s.cfg.Log.ErrorContext(q.Context(), "the sign-in provider cannot be reached", "reference", ref, "kind", kindOf(err))
	s.showFirst(w, q, http.StatusBadGateway, firstPage{Say: "The sign-in provider cannot be reached now. Try again; if it stays so, tell whoever looks after this program the reference number " + ref + "."})
	return nil
}
