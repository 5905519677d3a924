package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/recording"
	"airwarrant/rules/wording"
)

// received is what an upload form held.
type received struct {
	// link is the hash of the link that it came by, "" for none: one that was
	// withdrawn while the file was on its way lays nothing on the case.
	link string
	form url.Values
	name string // the file's own name, as the browser gave it
	data []byte
}

// errNoFile: the form came without a file.
var errNoFile = errors.New("no file in the form")

const (
	partsLimit = 100      // parts of one upload form: a mapping step asks about every column
	wordsLimit = 16 << 10 // bytes of one part that is no file
)

// receive reads an upload form as it arrives. The form token has to stand
// before the file, so that no byte of a file from elsewhere is read.
func (s *Site) receive(q *request) (*received, error) { return s.receiveIf(q, nil) }

// receiveIf is receive that asks, before the first byte of a file, whether the
// fields that stand before it admit the file; nil admits every file.
func (s *Site) receiveIf(q *request, admits func(url.Values) error) (*received, error) {
	kind, _, err := mime.ParseMediaType(q.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return nil, errUnreadableForm
	}
	mr, err := q.MultipartReader()
	if err != nil {
		return nil, errUnreadableForm
	}
	out := &received{form: url.Values{}}
	q.came = out.form
	for range partsLimit {
		part, err := mr.NextPart()
		if errors.Is(err, io.EOF) {
			if err := s.checkToken(q, out.form.Get("form")); err != nil {
				return nil, err
			}
			if len(out.data) == 0 {
				return out, errNoFile
			}
			return out, nil
		}
		if err != nil {
			return nil, broken(err)
		}
		if part.FileName() == "" {
			b, err := io.ReadAll(io.LimitReader(part, wordsLimit+1))
			if err != nil {
				return nil, broken(err)
			}
			if len(b) > wordsLimit {
				return nil, errTooLarge
			}
			out.form.Add(part.FormName(), string(b))
			continue
		}
		if err := s.checkToken(q, out.form.Get("form")); err != nil {
			return nil, err
		}
		if out.data != nil {
			return nil, errUnreadableForm
		}
		if admits != nil {
			if err := admits(out.form); err != nil {
				return nil, err
			}
		}
		out.name = path.Base(strings.ReplaceAll(part.FileName(), `\`, "/"))
		if out.data, err = io.ReadAll(io.LimitReader(part, recording.DefaultMaxBytes+1)); err != nil {
			return nil, broken(err)
		}
		if len(out.data) > recording.DefaultMaxBytes {
			return nil, errTooLarge
		}
	}
	return nil, errUnreadableForm
}

// broken keeps the error of a body that is too large and makes every other
// error of reading a form one.
func broken(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return err
	}
	return fmt.Errorf("%w: %w", errUnreadableForm, err)
}

// upload takes a recording at the intake desk, unless the criteria bar the
// supplier from it: then not a byte of the body is read.
func (s *Site) upload(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	if err := s.mayTake(f); err != nil {
		return err
	}
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	refuse := func(r refusal) error {
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "recording", at: r.at, say: r.say, told: r.told, form: in.form, ask: r.ask, step: r.step})
	}
	if err != nil && !s.inSteps(in.form) {
		return refuse(refusal{at: "file", say: "Expected a recording; found no file, or an empty one. Choose the file as the recorder's memory gave it."})
	}
	if len(typed(in.form, "keep")) > nameLimit {
		return refuse(refusal{say: "Expected a name of at most 80 letters for the mapping; found more. Shorten it and send the file again. Nothing was stored."})
	}
	if err != nil {
		return s.await(w, q, ticket{Case: f.Number, By: q.visit.Who, Role: casework.RoleIntake, Form: in.form}, "/cases/"+f.Number)
	}
	r, err := s.keep(q.Context(), f, in, s.stamp(q.visit.Who, casework.RoleIntake), nil)
	if err != nil {
		return err
	}
	if r.say != "" {
		return refuse(r)
	}
	seeOther(w, "/cases/"+number)
	return nil
}

// mayTake reports whether the intake desk may take a recording now.
func (s *Site) mayTake(f *file) error {
	for _, name := range custodyFacts {
		if _, ok := f.Statements[name]; !ok {
			return errBarred
		}
	}
	pack, err := s.barredBy(f)
	if err != nil {
		return err
	}
	if pack != nil {
		return errBarred
	}
	return nil
}

// refusal is why a recording was not taken: a sentence, whether typing columns
// or a zone could mend it, and the mapping step if answering it could.
type refusal struct {
	say    string
	at     string            // the field that say is about, "" for the whole
	told   wording.Text      // say in its parts, where a reader says some of it
	faults map[string]string // of a document's form
	// toldFaults are those of faults that have parts, in them.
	toldFaults map[string]wording.Text
	ask        bool
	step       *mappingStep
}

// keep reads a recording and lays it on the case together with the facts
// that came with it. Of one that is refused nothing is stored.
func (s *Site) keep(ctx context.Context, f *file, in *received, st casework.Stamp, facts map[string]statement) (refusal, error) {
	rec, how, step, err := s.readAs(ctx, in)
	if step != nil {
		say, told := sayMapping(step, err)
		return refusal{say: say, told: told, step: step}, nil
	}
	if err != nil {
		if a, known := answerTo(err); known {
			told := whyUnread(err)
			if told.Format != "" {
				told = wording.Said("%s Nothing was stored.", told)
			}
			return refusal{say: a.Sentence + " Nothing was stored.", told: told, ask: mendable(err) || how != reading{}}, nil
		}
		return refusal{}, err
	}
	if u := f.upload(); u != nil {
		if u.SHA256 == rec.SHA256 {
			return refusal{}, nil // sent twice
		}
		return refusal{say: "The case has a recording already; nothing was stored. Intake has to withdraw that one first, with a reason."}, nil
	}
	if err := s.cfg.Store.PutUpload(ctx, rec.SHA256, bytes.NewReader(in.data)); err != nil {
		return refusal{}, err
	}
	add := func(decide func(*casework.Case) (casework.Change, error)) error {
		_, err := casework.Update(ctx, s.cfg.Store, f.Number, st, func(c *casework.Case) (casework.Change, error) {
			if _, ok := c.LinkAt(in.link, s.cfg.Now()); in.link != "" && !ok {
				return nil, errLink
			}
			return decide(c)
		})
		if errors.Is(err, casework.ErrHead) {
			return nil // stored; only the list is behind
		}
		return err
	}
	if len(facts) > 0 {
		err = add(func(c *casework.Case) (casework.Change, error) {
			ch := casework.FactsStated{Facts: map[string]casework.Stated{}}
			for name, fact := range facts {
				if ch.Facts[name], err = s.seal(ctx, c, fact); err != nil {
					return nil, err
				}
			}
			return ch, nil
		})
		if err != nil {
			return refusal{}, err
		}
	}
	err = add(func(c *casework.Case) (casework.Change, error) {
		if (&file{Case: c}).upload() != nil {
			return nil, casework.ErrConflict
		}
		name, err := s.sealText(ctx, c, clipName(in.name))
		return casework.UploadAdded{SHA256: rec.SHA256, Size: rec.Size, Name: name}, err
	})
	if err != nil {
		return refusal{}, err
	}
	if how != (reading{}) {
		raw, err := json.Marshal(how)
		if err != nil {
			return refusal{}, err
		}
		err = add(func(*casework.Case) (casework.Change, error) {
			return casework.SessionChosen{SHA256: rec.SHA256, Reading: raw}, nil
		})
		if err != nil {
			return refusal{}, err
		}
	}
	if st.Role == casework.RoleIntake {
		// What a link's holder answers is for this file alone: kept, it would
		// read the files of others.
		if err := s.keepMapping(ctx, in, how); err != nil {
			return refusal{}, err
		}
	}
	return refusal{}, s.settle(ctx, f.Number)
}

func clipName(s string) string {
	if len(s) > textLimit {
		s = s[:textLimit]
	}
	return strings.ToValidUTF8(s, "")
}

// reasonFault is fault where the reason for which something is withdrawn is
// missing or too long, and "" otherwise.
func reasonFault(fault, reason string) string {
	if reason != "" && len(reason) <= 2000 {
		return ""
	}
	return fault
}

// chooseSession says which stretch of the recording is this patient's test.
func (s *Site) chooseSession(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	no, err := strconv.Atoi(q.PostForm.Get("session"))
	if err != nil {
		no = 0
	}
	f, err := s.open(q.Context(), number)
	if err != nil {
		return err
	}
	ev, err := s.evaluate(q.Context(), f)
	if err != nil {
		return err
	}
	u := f.upload()
	again := q.PostForm.Get("again") != "" // takes the choice back, so that all sessions show
	if again {
		no = 0
	}
	if u == nil || ev.Result == nil || len(ev.own.Readings) == 0 || no < 1 && !again || no > ev.own.Readings[0].Of {
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "session", at: "session",
			say: "Expected one of the sessions listed; found none. Choose the one that is this patient's test."})
	}
	err = s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		now := f.upload()
		if now == nil || now.SHA256 != u.SHA256 {
			return nil, casework.ErrConflict
		}
		if now.Session == no {
			return nil, nil
		}
		if now.Session != 0 && !again {
			return nil, casework.ErrConflict // somebody chose meanwhile; it is taken back first
		}
		return casework.SessionChosen{SHA256: now.SHA256, Session: no, Reading: now.Reading}, nil
	})
	if err != nil {
		return err
	}
	part := "#questions"
	if again {
		part = "#session"
	}
	seeOther(w, "/cases/"+number+part)
	return nil
}

// correctPatient takes a corrected name, birth date or identifier.
func (s *Site) correctPatient(w http.ResponseWriter, q *request) error {
	number := q.PathValue("number")
	form := url.Values{"payer": {""}}
	for k, v := range q.PostForm {
		form[k] = v
	}
	_, p, faults := s.readNewCase(form, q.fault)
	delete(faults, "payer")
	refuse := func(say string) error {
		f, err := s.open(q.Context(), number)
		if err != nil {
			return err
		}
		return s.showCase(w, q, http.StatusUnprocessableEntity, f, posted{part: "who", form: q.PostForm, say: say, faults: faults})
	}
	if len(faults) > 0 {
		return refuse("")
	}
	seen := formK(q.PostForm)
	err := s.update(q.Context(), number, s.stamp(q.visit.Who, casework.RoleIntake), func(f *file) (casework.Change, error) {
		if f.Patient == p {
			return nil, nil
		}
		if f.Edited != seen {
			return nil, casework.ErrConflict
		}
		another := !sameName(f.Patient.Name, p.Name) && f.Patient.Birth != p.Birth
		if another && len(f.Case.Facts)+len(f.Uploads)+len(f.Documents)+len(f.Answers) > 0 {
			return nil, errAnother
		}
		ch, err := s.sealPatient(q.Context(), f.Case, p)
		if another {
			ch.Links = f.OpenLinks(s.cfg.Now())
		}
		return ch, err
	})
	if errors.Is(err, errAnother) {
		return refuse("Expected this patient with a name or a birth date corrected; found another name and another birth date, and what is on the case is of the person before. Open a case for the other person: a recording goes there when it is withdrawn here.")
	}
	if err != nil {
		return err
	}
	seeOther(w, "/cases/"+number+"#who")
	return nil
}

// correctForm is the form that corrects the patient: what the case holds, or
// what was typed and not accepted.
type correctForm struct {
	Open                    bool
	Name, Birth, Identifier string
}

// errAnother: what is on the case is of another person.
var errAnother = errors.New("another person than what is on the case is of")

// senders are the footings that somebody outside states by sending a file.
var senders = []string{"sent_by_tester", "sent_by_practitioner"}

// testerUpload takes a recording through the link of the tester or the
// practitioner, whose sending it is itself the footing.
func (s *Site) testerUpload(w http.ResponseWriter, q *request) error {
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	f := q.link.file
	refuse := func(r refusal) error {
		return s.showTester(w, q, http.StatusUnprocessableEntity, posted{part: "recording", at: r.at, say: r.say, told: r.told, form: in.form, ask: r.ask, step: r.step})
	}
	who, sender := typed(in.form, "who"), typed(in.form, "sender")
	switch {
	case who == "" || len(who) > nameLimit:
		return refuse(refusal{at: "who", say: "Expected your name and credential, at most 80 letters; found none or more. Write them and choose the file again."})
	case !slices.Contains(senders, sender):
		return refuse(refusal{at: "sender", say: "Expected whether the tester or the practitioner sends the file; found neither. Choose one and choose the file again."})
	case err != nil && !s.inSteps(in.form):
		return refuse(refusal{at: "file", say: "Expected a recording; found no file, or an empty one. Choose the file as the recorder's memory gave it."})
	}
	if err != nil {
		return s.await(w, q, ticket{Case: f.Number, By: q.link.by(), Role: casework.RoleTester, Link: q.link.hash, Form: in.form, Sender: sender}, q.link.address())
	}
	in.link = q.link.hash
	r, err := s.keep(q.Context(), f, in, casework.Stamp{At: s.cfg.Now(), By: q.link.by(), Role: casework.RoleTester}, sentBy(f, sender))
	if err != nil {
		return err
	}
	if r.say != "" {
		return refuse(r)
	}
	seeOther(w, q.link.address()+"?sent=recording")
	return nil
}

// checkToken refuses a form that this visit did not get from us.
func (s *Site) checkToken(q *request, token string) error {
	if q.token == "" || !equal(token, q.token) {
		return errForm
	}
	return nil
}
