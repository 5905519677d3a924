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
	"strings"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/batch"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/rules"
)

// Limits of a batch, our choice: a shelf of recorders' memories at once.
const (
	batchLimit = 1 << 30 // bytes of all files together
	batchFiles = 2000
	// batchHeld are the bytes of files that are kept until all have come,
	// because another may belong to them.
	batchHeld  = recording.DefaultMaxBytes
	batchTable = 16 << 20         // bytes of a result that comes back to be written as a table
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
	Payer    string
	Files    int
	Lines    []batchLine
	Critical int
	Rows     string // the table as JSON, for the download
}

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
	s.render(w, q, status, "batch", page{Title: "Many recordings at once", Body: b})
	return nil
}

// readBatch checks what is stated of all files. faults are by name of the
// field; say is a sentence where the files may not be read at all.
func (s *Site) readBatch(form url.Values) (st batchStated, faults map[string]string, say string) {
	stated, faults := readFields(form, batchFacts)
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
			faults[name] = sentence(err)
			continue
		}
		def, _ := rules.Lookup(name)
		st.step.Said = append(st.step.Said, statedLine{Meaning: custodyWords[name], Value: got.words(def)})
		st.step.Hidden = append(st.step.Hidden, choice{Value: form.Get("v." + name), Words: "v." + name})
	}
	if len(faults) > 0 {
		return st, faults, ""
	}
	pack, err := s.packOf(st.region, rules.Date{})
	if err != nil {
		return st, faults, sentence(err)
	}
	if criteria.Barred(pack, criteria.Facts{Named: st.facts}) {
		return st, faults, "On this footing the files may not be read here, and none was. " + pack.Custody.Who
	}
	return st, faults, ""
}

// stateBatch takes what is stated of all files, and asks for them.
func (s *Site) stateBatch(w http.ResponseWriter, q *request) error {
	st, faults, say := s.readBatch(q.PostForm)
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
// lines. Nothing of them is kept: only that they were read, by whom, and their
// hashes.
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
	run := &batchRun{s: s, form: url.Values{}}
	defer run.note(q)
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
		err = run.take(q, part)
		var give errBatch
		if errors.As(err, &give) {
			return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: string(give)})
		}
		if err != nil {
			return err
		}
	}
	if err := run.begin(q); err != nil { // no file came
		var give errBatch
		if errors.As(err, &give) {
			return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: string(give)})
		}
		return err
	}
	if run.files == 0 {
		return s.showBatch(w, q, http.StatusUnprocessableEntity, run.form, batchPage{Say: "Expected recordings; found no file, or only empty ones. Choose them again.", Step: run.stated.step})
	}
	res, err := run.result()
	if err != nil {
		return err
	}
	return s.showBatch(w, q, http.StatusOK, run.form, batchPage{Result: res})
}

// batchRun is one batch while its files come in.
type batchRun struct {
	s      *Site
	form   url.Values
	begun  bool
	stated batchStated
	query  qualify.Query
	facts  *batch.Facts
	files  int
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
func (r *batchRun) begin(q *request) error {
	if r.begun {
		return nil
	}
	if err := r.s.checkToken(q, r.form.Get("form")); err != nil {
		return err
	}
	var faults map[string]string
	var say string
	if r.stated, faults, say = r.s.readBatch(r.form); len(faults) > 0 {
		return errUnreadableForm // the page sends what was accepted
	}
	if say != "" {
		return errBatch(say)
	}
	confirmed, err := r.s.confirmed(q.Context())
	if err != nil {
		return err
	}
	r.query = qualify.Query{Facts: r.stated.facts, Criteria: []string{r.stated.region}, Private: true, Today: r.s.today(), Critical: r.s.cfg.Critical, Confirmed: confirmed}
	r.begun = true
	return nil
}

// take reads one part of the form.
func (r *batchRun) take(q *request, part *multipart.Part) error {
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
	if err := r.begin(q); err != nil {
		return err
	}
	limit := int64(recording.DefaultMaxBytes)
	if part.FormName() == "facts" {
		limit = formLimit
	}
	data, err := io.ReadAll(io.LimitReader(part, limit+1))
	if err != nil {
		return broken(err)
	}
	if part.FormName() == "facts" {
		if int64(len(data)) > limit {
			return errBatch("Expected a table of facts of at most " + size(limit) + "; found more. Nothing was read. Divide it.")
		}
		if r.facts, err = batch.ReadFacts("The table of facts", data); err != nil {
			return errBatch(sentence(err))
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

// result is the page of all lines.
func (r *batchRun) result() (*batchResult, error) {
	r.settle()
	slices.SortStableFunc(r.lines, func(a, b batch.Line) int { return strings.Compare(a.File, b.File) })
	for _, key := range r.facts.Untaken() {
		r.lines = append(r.lines, batch.Refused(key, "", batch.NotThere))
	}
	out := &batchResult{Payer: r.stated.step.Payer, Files: r.files, Critical: batch.OnceCritical(r.lines)}
	for _, l := range r.lines {
		one := batchLine{File: l.File, Short: clipHash(l.SHA256), DecidedBy: l.DecidedBy, Problem: strings.TrimPrefix(l.Problem, l.File+": "), Critical: l.Critical}
		if l.Session > 0 {
			one.Session = fmt.Sprint(l.Session)
		}
		if l.Outcome != "" {
			one.Word, one.Mark = outcomeWords(l.Outcome)
			one.Word = shortOutcomeWord(one.Word)
		}
		for _, name := range l.Missing {
			one.Missing = append(one.Missing, rules.PlainWord(name))
		}
		out.Lines = append(out.Lines, one)
	}
	rows, err := json.Marshal(batch.Rows(r.lines))
	out.Rows = string(rows)
	return out, err
}

// BatchLedger is the ledger of recordings that were read without a case.
const BatchLedger = "batches"

// note writes down that files were read, also of a batch that broke off.
func (r *batchRun) note(q *request) {
	if len(r.hashes) == 0 {
		return
	}
	_, err := casework.Record(context.WithoutCancel(q.Context()), r.s.cfg.Store, BatchLedger, r.s.stamp(q.visit.Who, casework.RoleIntake), "read", struct {
		Criteria string   `json:"criteria"`
		SHA256   []string `json:"sha256"`
	}{r.stated.region, r.hashes})
	if err != nil {
		r.s.cfg.Log.ErrorContext(q.Context(), "a batch could not be written down", "kind", kindOf(err))
	}
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

// batchTableFile writes the lines of a batch, which come back with the form, as a
// table to be kept elsewhere.
func (s *Site) batchTableFile(w http.ResponseWriter, q *request) error {
	var rows [][]string
	if json.Unmarshal([]byte(q.PostForm.Get("rows")), &rows) != nil || len(rows) == 0 {
		return errUnreadableForm
	}
	var b bytes.Buffer
	kind, ending := "text/csv; charset=utf-8", "csv"
	var err error
	if q.PostForm.Get("as") == "xlsx" {
		kind, ending = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx"
		err = sheets.Write(&b, "lines", rows)
	} else {
		err = batch.WriteRows(&b, rows)
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", `attachment; filename="batch.`+ending+`"`)
	send(w, http.StatusOK, kind, b.Bytes())
	return nil
}
