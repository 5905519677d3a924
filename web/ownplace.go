package web

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"airwarrant/qualify/casework"
)

// ownPlace is the site as a place of files, where no other is: the form that a
// page's script sends a file by is signed, and good for one file of a ticket,
// up to a size and a time, as it is elsewhere. The policy has the shape of the
// published "POST policy" of object stores (from memory), so that one form
// fits both.
type ownPlace struct{ *Site }

// ownPolicy is what a form is good for.
type ownPolicy struct {
	Expiration time.Time `json:"expiration"`
	Conditions [][]any   `json:"conditions"`
}

const (
	ownAddress  = "/arrivals"
	ownType     = "application/octet-stream"
	policyField = "policy"
	signField   = "signature"
	backField   = "success_action_redirect"
)

// Form implements Arrivals.
func (s ownPlace) Form(_ context.Context, id, back string, most int64, within time.Duration) (ArrivalForm, error) {
	at, err := url.Parse(back)
	if err != nil {
		return ArrivalForm{}, fmt.Errorf("the page of a ticket: %w", err)
	}
	fields := []ArrivalField{{"key", id}, {backField, back}, {"Content-Type", ownType}}
	p := ownPolicy{Expiration: s.cfg.Now().Add(within).UTC(), Conditions: [][]any{{"content-length-range", 1, most}}}
	for _, f := range fields {
		p.Conditions = append(p.Conditions, []any{"eq", "$" + f.Name, f.Value})
	}
	raw, err := json.Marshal(p)
	if err != nil {
		return ArrivalForm{}, err
	}
	policy := base64.StdEncoding.EncodeToString(raw)
	return ArrivalForm{Address: at.Scheme + "://" + at.Host + ownAddress,
		Fields: append(fields, ArrivalField{policyField, policy}, ArrivalField{signField, s.signPolicy(policy)})}, nil
}

func (s *Site) signPolicy(policy string) string {
	return base64.StdEncoding.EncodeToString(s.sign("arrival", policy))
}

// allowed reads what a form is good for out of its fields: the id of the
// ticket, the page of it, and how long the file may be. errForm for a form that
// was not signed here, has ended, or says anything that its policy does not.
func (s *Site) allowed(fields url.Values) (id, back string, most int64, err error) {
	policy := fields.Get(policyField)
	if !equal(fields.Get(signField), s.signPolicy(policy)) {
		return "", "", 0, errForm
	}
	raw, err := base64.StdEncoding.DecodeString(policy)
	if err != nil {
		return "", "", 0, errForm
	}
	var p ownPolicy
	if json.Unmarshal(raw, &p) != nil || s.cfg.Now().After(p.Expiration) {
		return "", "", 0, errForm
	}
	named := map[string]bool{policyField: true, signField: true}
	for _, c := range p.Conditions {
		switch {
		case len(c) == 3 && c[0] == "eq":
			name := strings.TrimPrefix(fmt.Sprint(c[1]), "$")
			if len(fields[name]) != 1 || fields.Get(name) != c[2] {
				return "", "", 0, errForm
			}
			named[name] = true
		case len(c) == 3 && c[0] == "content-length-range":
			n, ok := c[2].(float64)
			if !ok {
				return "", "", 0, errForm
			}
			most = int64(n)
		default:
			return "", "", 0, errForm
		}
	}
	for name := range fields {
		if !named[name] {
			return "", "", 0, errForm
		}
	}
	return fields.Get("key"), fields.Get(backField), most, nil
}

// takeArrival takes a file that the form of a ticket brings. Not a byte of it is
// read before the form was found good.
func (s *Site) takeArrival(w http.ResponseWriter, q *request) error {
	if s.direct() {
		return errNoPage
	}
	kind, _, err := mime.ParseMediaType(q.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return errUnreadableForm
	}
	mr, err := q.MultipartReader()
	if err != nil {
		return errUnreadableForm
	}
	fields := url.Values{}
	for range partsLimit {
		part, err := mr.NextPart()
		if err != nil {
			return broken(err)
		}
		if part.FileName() == "" {
			b, err := io.ReadAll(io.LimitReader(part, wordsLimit+1))
			if err != nil {
				return broken(err)
			}
			if len(b) > wordsLimit {
				return errTooLarge
			}
			fields.Add(part.FormName(), string(b))
			continue
		}
		id, back, most, err := s.allowed(fields)
		if err != nil {
			return err
		}
		t, _, err := s.ticketOf(q.Context(), id)
		if err != nil {
			return err
		}
		if _, busy := s.taking.LoadOrStore(id, nil); busy || t.State != ticketWaiting {
			return casework.ErrConflict // the form is good for one file
		}
		defer s.taking.Delete(id)
		data, err := io.ReadAll(io.LimitReader(part, most+1))
		if err != nil {
			return broken(err)
		}
		if int64(len(data)) > most {
			return errTooLarge
		}
		if len(data) == 0 {
			return errUnreadableForm
		}
		_, err = s.Arrived(q.Context(), id, int64(len(data)), s.cfg.Now(), func(context.Context) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(data)), nil
		})
		if err != nil {
			return err
		}
		seeOther(w, back)
		return nil
	}
	return errUnreadableForm
}

// sendJSON answers the script of a page.
func sendJSON(w http.ResponseWriter, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return errors.Join(errUnreadableForm, err)
	}
	send(w, http.StatusOK, "application/json", data)
	return nil
}
