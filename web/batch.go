package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/batch"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Limits of a batch, our choice: a shelf of recorders' memories at once.
const (
	batchLimit = 1 << 30 // bytes of all files together
	batchFiles = 2000
	// batchHeld are the bytes of files that are kept until all have come,
	// because another may belong to them.
	batchHeld  = recording.DefaultMaxBytes
	batchPause = 10 * time.Minute // longest wait for the next part
)

// batchFacts are stated of all files alike, before any is taken. Each file has
// a date of its own, by its recorder's clock or in the table of facts.
var batchFacts = slices.DeleteFunc(slices.Clone(custodyFacts), func(name string) bool { return name == "test_date" })

// batchPage is the page of a batch: what is stated of all files, then the
// files, then the lines.
type batchPage struct {
	Payers []payerLine
	Fields []field
	Errors map[string]string
	Say    string
	Step   *batchStep // the files may come
	Result *batchResult
	Before []batchBefore // whose result is still kept, the newest first
}

// batchBefore is a batch that was read before.
type batchBefore struct {
	Number        int
	At, By, Payer string
	Files, Lines  int
	Until         string // day on which its result ends
}

// batchStep is what was stated, carried along with the files.
type batchStep struct {
	Payer  string
	Said   []statedLine
	Hidden []choice // names and values
	Limit  string
	Files  int
}

type batchResult struct {
	Number   int // under which it is found again
	Payer    string
	Files    int
	Lines    []batchLine
	Critical int
	Names    []factName // of what the lines lack
	Until    string
}

// factName is a fact as a table of facts names it, and in words.
type factName struct{ Name, Words string }

type batchLine struct {
	File, Short, Session string
	Word, Mark           string
	DecidedBy, Missing   []string
	Problem, Critical    string
}

// batchStated is what a batch's form says of all its files.
type batchStated struct {
	region string
	facts  map[string]criteria.Fact
	step   *batchStep
}

func (s *Site) batchForm(w http.ResponseWriter, q *request) error {
	return s.showBatch(w, q, http.StatusOK, nil, batchPage{})
}

func (s *Site) showBatch(w http.ResponseWriter, q *request, status int, form url.Values, b batchPage) error {
	b.Payers = s.payers(s.cfg.Region)
	if form != nil {
		b.Payers = s.payers(typed(form, "payer"))
	}
	for _, name := range batchFacts {
		def, _ := rules.Lookup(name)
		fl := fieldFor(def, false)
		if form != nil {
			fl = fl.fill(form)
			fl.Error = b.Errors[name]
		}
		b.Fields = append(b.Fields, fl)
	}
	if b.Result == nil {
		var err error
		if b.Before, err = s.batchesKept(q.Context()); err != nil {
			return err
		}
	}
	s.render(w, q, status, "batch", page{Title: "Many recordings at once", Body: b})
	return nil
}

// readBatch checks what is stated of all files. faults are by name of the
// field, worded by fault; say is a sentence where the files may not be read at all.
func (s *Site) readBatch(form url.Values, fault func(error) string) (st batchStated, faults map[string]string, say string) {
	stated, faults := readFields(form, batchFacts, fault, "", nil) // no numbers are among them
	st = batchStated{region: typed(form, "payer"), facts: map[string]criteria.Fact{}}
	region, err := s.lib.Region(st.region)
	if err != nil || region.Hidden {
		faults["payer"] = "Expected one of the payers listed; found none. Choose whose criteria the tests are judged by."
	}
	st.step = &batchStep{Payer: region.Name, Hidden: []choice{{Value: st.region, Words: "payer"}}, Limit: "1 GiB", Files: batchFiles}
	for _, name := range batchFacts {
		got, ok := stated[name]
		if !ok {
			if faults[name] == "" {
				faults[name] = "Expected an answer that holds for all files, if only that it is not known; found none. Choose one."
			}
			continue
		}
		if st.facts[name], err = got.fact(); err != nil {
			faults[name] = fault(err)
			continue
		}
		def, _ := rules.Lookup(name)
		st.step.Said = append(st.step.Said, statedLine{Meaning: custodyWords[name], Value: got.words(def, rules.Language{})})
		st.step.Hidden = append(st.step.Hidden, choice{Value: form.Get("v." + name), Words: "v." + name})
	}
	if len(faults) > 0 {
		return st, faults, ""
	}
	pack, err := s.packOf(st.region, rules.Date{})
	if err != nil {
		return st, faults, fault(err)
	}
	if criteria.Barred(pack, criteria.Facts{Named: st.facts}) {
		return st, faults, "On this footing the files may not be read here, and none was. " + pack.Custody.Who
	}
	return st, faults, ""
}

// stateBatch takes what is stated of all files, and asks for them.
func (s *Site) stateBatch(w http.ResponseWriter, q *request) error {
	st, faults, say := s.readBatch(q.PostForm, q.fault)
	if len(faults) > 0 || say != "" {
		if say == "" {
			say = "Some answers could not be taken. They are marked below."
		}
		return s.showBatch(w, q, http.StatusUnprocessableEntity, q.PostForm, batchPage{Errors: faults, Say: say})
	}
	return s.showBatch(w, q, http.StatusOK, q.PostForm, batchPage{Step: st.step})
}

// errBatch is why a batch was given up, in a sentence for the page.
type errBatch string

func (e errBatch) Error() string { return string(e) }

// runBatch reads files one after the other as they arrive, and gives each its
// lines. No file is kept: only that they were read, by whom, their hashes, and
// for KeptFor the lines.
func (s *Site) runBatch(w http.ResponseWriter, q *request) error {
	kind, _, err := mime.ParseMediaType(q.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return errUnreadableForm
	}
	mr, err := q.MultipartReader()
	if err != nil {
		return errUnreadableForm
	}
	wait := http.NewResponseController(w)
	run := &batchRun{s: s, ctx: q.Context(), who: q.visit.Who, form: url.Values{}, fault: q.fault}
	run.admits = func() error { return s.checkToken(q, run.form.Get("form")) }
	defer func() {
		if !run.noted { // it broke off
			if _, err := run.note(""); err != nil {
				s.cfg.Log.ErrorContext(q.Context(), "a batch could not be written down", "kind", kindOf(err))
			}
		}
	}()
	for {
		// The clock of the connection, not of the cases. What cannot be set
		// (a test's recorder) has no deadline.
		_ = wait.SetReadDeadline(time.Now().Add(batchPause))
		_ = wait.SetWriteDeadline(time.Now().Add(batchPause))
		part, err := mr.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return broken(err)
		}
		err = run.take(part)
		var give errBatch
		if errors.As(err, &give) {
			return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: string(give)})
		}
		if err != nil {
			return err
		}
	}
	if err := run.begin(); err != nil { // no file came
		var give errBatch
		if errors.As(err, &give) {
			return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: string(give)})
		}
		return err
	}
	if run.files == 0 && s.direct() {
		run.noted = true
		return s.await(w, q, ticket{What: arrivesBatch, By: q.visit.Who, Role: casework.RoleIntake, Form: run.form}, batchBase)
	}
	if run.files == 0 {
		return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: "Expected recordings; found no file, or only empty ones. Choose them again.", Step: run.stated.step})
	}
	n, err := run.keep(true)
	if err != nil {
		return err
	}
	seeOther(w, "/batch/"+strconv.Itoa(n))
	return nil
}

// batchRun is one batch while its files come in.
type batchRun struct {
	s      *Site
	ctx    context.Context
	who    string
	form   url.Values
	admits func() error       // looked at once, before the first byte of a file
	fault  func(error) string // words an error for the page
	begun  bool
	stated batchStated
	query  qualify.Query
	facts  *batch.Facts
	files  int
	noted  bool
	hashes []string
	lines  []batch.Line
	held   []heldFile
	heldN  int // bytes
}

// heldFile is a file that could not be read alone.
type heldFile struct {
	name string
	data []byte
}

// begin checks the form before the first byte of a file is read.
func (r *batchRun) begin() error {
	if r.begun {
		return nil
	}
	if err := r.admits(); err != nil {
		return err
	}
	var faults map[string]string
	var say string
	if r.stated, faults, say = r.s.readBatch(r.form, r.fault); len(faults) > 0 {
		return errUnreadableForm // the page sends what was accepted
	}
	if say != "" {
		return errBatch(say)
	}
	confirmed, err := r.s.confirmed(r.ctx)
	if err != nil {
		return err
	}
	r.query = qualify.Query{Facts: r.stated.facts, Criteria: []string{r.stated.region}, Private: true, Today: r.s.today(), Critical: r.s.cfg.Critical, Confirmed: confirmed}
	r.query.Received, r.query.Listed = r.query.Today, r.query.Today
	r.begun = true
	return nil
}

// take reads one part of the form.
func (r *batchRun) take(part *multipart.Part) error {
	name := fileName(part)
	if name == "" {
		b, err := io.ReadAll(io.LimitReader(part, wordsLimit+1))
		if err != nil {
			return broken(err)
		}
		if len(b) > wordsLimit || len(r.form) > partsLimit {
			return errTooLarge
		}
		r.form.Add(part.FormName(), string(b))
		return nil
	}
	return r.takeFile(name, part.FormName() == "facts", part)
}

// takeFile reads one file, or the table of facts.
func (r *batchRun) takeFile(name string, table bool, part io.Reader) error {
	if err := r.begin(); err != nil {
		return err
	}
	limit := int64(recording.DefaultMaxBytes)
	if table {
		limit = formLimit
	}
	data, err := io.ReadAll(io.LimitReader(part, limit+1))
	if err != nil {
		return broken(err)
	}
	if table {
		if int64(len(data)) > limit {
			return errBatch("Expected a table of facts of at most " + size(limit) + "; found more. Nothing was read. Divide it.")
		}
		if r.facts, err = batch.ReadFacts(wording.Said("The table of facts"), data); err != nil {
			return errBatch(r.fault(err))
		}
		return nil
	}
	if len(data) == 0 || strings.HasPrefix(path.Base(name), ".") {
		return nil // what a system leaves hidden in a folder is no recording
	}
	if r.files++; r.files > batchFiles {
		return errBatch(fmt.Sprintf("Expected at most %d files at once; found more. Send them in several batches.", batchFiles))
	}
	if int64(len(data)) > limit {
		if _, err := io.Copy(io.Discard, part); err != nil {
			return broken(err)
		}
		r.lines = append(r.lines, batch.Refused(name, "", "expected a file of at most "+size(limit)+", found more; send the recorder's own export"))
		return nil
	}
	r.read(name, data)
	return nil
}

// read gives a file its lines, or holds it for the others to come.
func (r *batchRun) read(name string, data []byte) {
	var lines []batch.Line
	for _, one := range batch.Split(qualify.Source{Name: name, Data: data, Read: recording.Options{Workbook: sheets.Tables}}) {
		lines = append(lines, batch.File(one, r.facts, r.query, r.s.lib)...)
	}
	sum := sha256.Sum256(data)
	r.hashes = append(r.hashes, hex.EncodeToString(sum[:]))
	if unread := len(lines) == 1 && lines[0].Outcome == ""; unread && r.heldN+len(data) <= batchHeld {
		r.held = append(r.held, heldFile{name, data})
		r.heldN += len(data)
		return
	}
	r.lines = append(r.lines, lines...)
}

// settle reads what was held, each file with the others beside it. One that
// was read with another has no line of its own.
func (r *batchRun) settle() {
	used := map[string]bool{}
	var lines []batch.Line
	for _, h := range r.held {
		src := qualify.Source{Name: h.name, Data: h.data, Read: recording.Options{Workbook: sheets.Tables, Sibling: func(name string) ([]byte, error) {
			at := path.Join(path.Dir(h.name), name)
			for _, o := range r.held {
				if path.Clean(o.name) == at {
					used[o.name] = true
					return o.data, nil
				}
			}
			return nil, errors.New("no such file came with it")
		}}}
		lines = append(lines, batch.File(src, r.facts, r.query, r.s.lib)...)
	}
	r.lines = append(r.lines, slices.DeleteFunc(lines, func(l batch.Line) bool { return l.Outcome == "" && used[l.File] })...)
	r.held = nil
}

// batchKept is the result of a batch as it is sealed: the names of its files may
// be those of persons.
type batchKept struct {
	Payer    string       `json:"payer"`
	Files    int          `json:"files"`
	Critical int          `json:"critical"`
	Lines    []batch.Line `json:"lines"`
	// Told is what lines, from 0, say of a reader, in its parts.
	Told map[int]wording.Text `json:"told,omitempty"`
	// Low are their critical readings, in parts.
	Low map[int]batch.Low `json:"low,omitempty"`
}

// batchEntry is what the ledger tells of a batch.
type batchEntry struct {
	Criteria string   `json:"criteria"`
	SHA256   []string `json:"sha256"`
	Files    int      `json:"files,omitzero"`
	Lines    int      `json:"lines,omitzero"`
	Kept     string   `json:"kept,omitzero"` // id of its result, "" if it broke off
}

// keep settles the lines and keeps them under the number of their entry.
func (r *batchRun) keep(ends bool) (number int, err error) {
	r.settle()
	slices.SortStableFunc(r.lines, func(a, b batch.Line) int { return strings.Compare(a.File, b.File) })
	for _, key := range r.facts.Untaken() {
		r.lines = append(r.lines, batch.Refused(key, "", batch.NotThere))
	}
	res := batchKept{Payer: r.stated.step.Payer, Files: r.files, Critical: batch.OnceCritical(r.lines), Lines: r.lines, Told: map[int]wording.Text{}, Low: map[int]batch.Low{}}
	for i, l := range r.lines {
		if l.Told.Format != "" {
			res.Told[i] = l.Told
		}
		if len(l.Low.Found) > 0 {
			res.Low[i] = l.Low
		}
	}
	data, err := json.Marshal(res)
	if err != nil {
		return 0, err
	}
	random, err := r.s.secret(16)
	if err != nil {
		return 0, err
	}
	if ends {
		if _, err := casework.EndKept(r.ctx, r.s.cfg.Store, casework.BatchLedger, r.s.cfg.Now().Add(-casework.KeptFor)); err != nil {
			return 0, err
		}
	}
	id := casework.KeptID(random)
	if number, err = r.note(id); err != nil {
		return 0, err
	}
	return number, casework.Keep(context.WithoutCancel(r.ctx), r.s.cfg.Store, r.s.cfg.Random, id, data)
}

// note writes down that files were read, also of a batch that broke off, and
// returns the number of the entry.
func (r *batchRun) note(kept string) (int, error) {
	r.noted = true
	if len(r.hashes) == 0 && kept == "" {
		return 0, nil
	}
	e, err := casework.Record(context.WithoutCancel(r.ctx), r.s.cfg.Store, casework.BatchLedger, r.s.stamp(r.who, casework.RoleIntake), "read",
		batchEntry{r.stated.region, r.hashes, r.files, len(r.lines), kept})
	return e.N, err
}

// batchesKept are the batches whose result can still be had, the newest first.
func (s *Site) batchesKept(ctx context.Context) ([]batchBefore, error) {
	const most = 50 // entries that are looked at (our choice)
	since := s.cfg.Now().Add(-casework.KeptFor)
	last, err := s.cfg.Store.LastEntry(ctx, casework.BatchLedger)
	if errors.Is(err, casework.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	entries, err := s.cfg.Store.Entries(ctx, casework.BatchLedger, max(1, last.N-most+1), most)
	if err != nil {
		return nil, err
	}
	var out []batchBefore
	for _, e := range slices.Backward(entries) {
		var ch batchEntry
		if e.Kind != "read" || json.Unmarshal(e.Change, &ch) != nil || ch.Kept == "" || e.At.Before(since) {
			continue
		}
		b := batchBefore{Number: e.N, At: moment(e.At), By: e.By, Payer: ch.Criteria, Files: ch.Files, Lines: ch.Lines, Until: keptUntil(e)}
		if r, err := s.lib.Region(ch.Criteria); err == nil {
			b.Payer = r.Name
		}
		out = append(out, b)
	}
	return out, nil
}

// keptUntil is the day on which a result ends.
func keptUntil(e casework.Entry) string {
	return e.At.Add(casework.KeptFor).UTC().Format(time.DateOnly)
}

// batchAt opens the result of the batch that the address names, and writes
// down that it was looked at.
func (s *Site) batchAt(q *request) (casework.Entry, batchKept, error) {
	var res batchKept
	n, err := strconv.Atoi(q.PathValue("batch"))
	if err != nil || n < 1 {
		return casework.Entry{}, res, errNoPage
	}
	entries, err := s.cfg.Store.Entries(q.Context(), casework.BatchLedger, n, 1)
	if err != nil {
		return casework.Entry{}, res, err
	}
	var ch batchEntry
	if len(entries) == 0 || entries[0].Kind != "read" || json.Unmarshal(entries[0].Change, &ch) != nil || ch.Kept == "" {
		return casework.Entry{}, res, errNoPage
	}
	e := entries[0]
	if e.At.Before(s.cfg.Now().Add(-casework.KeptFor)) {
		return e, res, errBatchEnded
	}
	data, err := casework.Kept(q.Context(), s.cfg.Store, ch.Kept)
	if errors.Is(err, casework.ErrDestroyed) || errors.Is(err, casework.ErrNotFound) {
		return e, res, errBatchEnded
	}
	if err != nil {
		return e, res, err
	}
	if err := json.Unmarshal(data, &res); err != nil {
		return e, res, errors.New("a stored result of a batch is not readable")
	}
	if s.views.fresh(casework.BatchLedger+"\x00"+q.visit.Who+"\x00"+strconv.Itoa(n), s.cfg.Now()) {
		_, err = casework.Record(q.Context(), s.cfg.Store, casework.BatchLedger, s.stamp(q.visit.Who, casework.RoleIntake), "looked", struct {
			Batch int `json:"batch"`
		}{n})
	}
	return e, res, err
}

// batchResult is the page of all lines.
func (s *Site) batchResult(w http.ResponseWriter, q *request) error {
	e, res, err := s.batchAt(q)
	if err != nil {
		return err
	}
	out := &batchResult{Number: e.N, Payer: res.Payer, Files: res.Files, Critical: res.Critical, Until: keptUntil(e)}
	in, day := Wording(q.language, rules.Region{}), dayOf(e.At)
	for i, l := range res.Lines {
		one := batchLine{File: l.File, Short: clipHash(l.SHA256), DecidedBy: l.DecidedBy, Problem: q.tell(strings.TrimPrefix(l.Problem, l.File+": "), res.Told[i]), Critical: l.Critical}
		if low, ok := res.Low[i]; ok {
			var words []string
			for _, c := range low.Found {
				words = append(words, c.WordsIn(in, low.Limit, day))
			}
			one.Critical = strings.Join(words, "; ")
		}
		if l.Session > 0 {
			one.Session = fmt.Sprint(l.Session)
		}
		if l.Outcome != "" {
			one.Word, one.Mark = outcomeWords(l.Outcome)
			one.Word = shortOutcomeWord(one.Word)
		}
		for _, name := range l.Missing {
			one.Missing = append(one.Missing, name)
			if def, ok := rules.Lookup(name); ok && !slices.ContainsFunc(out.Names, func(n factName) bool { return n.Name == name }) {
				out.Names = append(out.Names, factName{name, in.Say(rules.Phrase(def))})
			}
		}
		out.Lines = append(out.Lines, one)
	}
	return s.showBatch(w, q, http.StatusOK, nil, batchPage{Result: out})
}

// batchCSV gives the lines of a batch as text.
func (s *Site) batchCSV(w http.ResponseWriter, q *request) error {
	return s.batchTable(w, q, "csv", "text/csv; charset=utf-8", batch.WriteRows)
}

// batchXLSX gives the lines of a batch as a workbook.
func (s *Site) batchXLSX(w http.ResponseWriter, q *request) error {
	return s.batchTable(w, q, "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", func(w io.Writer, rows [][]string) error {
		return sheets.Write(w, "lines", rows)
	})
}

func (s *Site) batchTable(w http.ResponseWriter, q *request, ending, media string, write func(io.Writer, [][]string) error) error {
	e, res, err := s.batchAt(q)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := write(&b, batch.Rows(res.Lines)); err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", `attachment; filename="batch-`+strconv.Itoa(e.N)+"."+ending+`"`)
	send(w, http.StatusOK, media, b.Bytes())
	return nil
}

// fileName is the name of a part with its folders, as the browser gave it; ""
// for a part that is no file, or the file of nobody that an empty field sends.
func fileName(part *multipart.Part) string {
	_, params, err := mime.ParseMediaType(part.Header.Get("Content-Disposition"))
	if err != nil || params["filename"] == "" {
		return ""
	}
	name := clipName(path.Clean(strings.ReplaceAll(params["filename"], `\`, "/")))
	return strings.TrimLeft(name, "/")
}
