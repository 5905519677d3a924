package web

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"path"
	"strconv"
	"strings"
)

// Where no form can carry a folder of recordings it comes as one zip, by a
// ticket, with the table of facts under this name in it.
const batchFactsName = "facts.csv"

// batchBase is what tickets of a batch lie under; its page is above it.
const batchBase = "/batch/files"

// errFolder: a zip that cannot be unpacked.
var errFolder = errors.New("the folder cannot be unpacked")

// The words of a refused folder; they quote nothing of it.
const (
	sayFolder = "Expected a zip that can be unpacked; found a damaged one, or one whose files are encrypted. Pack the folder again and send it. Nothing was kept."
	sayTable  = "The table facts.csv in the zip could not be read: expected delimited text with a column “file” or “sha256”, and a column for each fact by its name. Mend it and send the zip again. Nothing was kept."
	sayMuch   = "Expected at most 1 GiB of files in the zip; found more. Divide it. Nothing was kept."
)

// takeBatch reads many recordings that arrived in one zip, or one recording
// that arrived alone.
func (s *Site) takeBatch(ctx context.Context, t ticket, open func(context.Context) (io.ReadCloser, error)) (Arrival, refusal, error) {
	no := func(reason, say string) (Arrival, refusal, error) {
		return Arrival{State: ticketRefused, Reason: reason}, refusal{say: say}, nil
	}
	data, err := readArrived(ctx, open, mostOf(t.What))
	if errors.Is(err, errTooLarge) {
		a, _ := answerTo(err)
		return no("size", a.Sentence)
	}
	if err != nil {
		return Arrival{}, refusal{}, err
	}
	run := &batchRun{s: s, ctx: ctx, who: t.By, form: t.Form, fault: sentence, admits: func() error { return nil }}
	err = run.takeFolder(data)
	var give errBatch
	switch {
	case errors.As(err, &give):
		return no("unread", string(give))
	case err != nil:
		return Arrival{}, refusal{}, err
	case run.files == 0:
		return no("unread", "Expected recordings; found no file, or only empty ones. Choose them again.")
	}
	// Sweep ends the results whose time is over.
	n, err := run.keep(false)
	return Arrival{State: ticketKept, kept: strconv.Itoa(n)}, refusal{}, err
}

// takeFolder reads each file of a zip, the table of facts first: it is of all
// the others.
func (r *batchRun) takeFolder(data []byte) error {
	if !bytes.HasPrefix(data, []byte("PK\x03\x04")) {
		return r.takeFile("recording", false, bytes.NewReader(data))
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return errBatch(sayFolder)
	}
	left := int64(batchLimit)
	for _, table := range []bool{true, false} {
		for _, f := range z.File {
			if f.FileInfo().IsDir() || (path.Base(f.Name) == batchFactsName) != table {
				continue
			}
			if err := r.ctx.Err(); err != nil {
				return err
			}
			if err := r.takeZipped(f, table, &left); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *batchRun) takeZipped(f *zip.File, table bool, left *int64) error {
	in, err := f.Open()
	if err != nil {
		return errBatch(sayFolder)
	}
	defer in.Close()
	name := strings.TrimLeft(clipName(path.Clean(strings.ReplaceAll(f.Name, `\`, "/"))), "/")
	err = r.takeFile(name, table, &unpacked{in, left})
	var give errBatch
	switch {
	case *left < 0:
		return errBatch(sayMuch)
	case errors.Is(err, errFolder):
		return errBatch(sayFolder)
	case table && errors.As(err, &give):
		return errBatch(sayTable)
	}
	return err
}

// unpacked reads a file of a zip, and ends where more comes out than is left
// for all of them.
type unpacked struct {
	r    io.Reader
	left *int64
}

func (u *unpacked) Read(p []byte) (int, error) {
	n, err := u.r.Read(p)
	if *u.left -= int64(n); *u.left < 0 || err != nil && !errors.Is(err, io.EOF) {
		return 0, errFolder
	}
	return n, err
}

// batchArrival is the page of a ticket of a batch.
func (s *Site) batchArrival(w http.ResponseWriter, q *request) error {
	t, _, err := s.ticketOf(q.Context(), q.PathValue("ticket"))
	if err != nil {
		return err
	}
	if t.What != arrivesBatch || t.By != q.visit.Who {
		return errNoPage
	}
	switch t.State {
	case ticketKept:
		seeOther(w, "/batch/"+t.Kept)
		return nil
	case ticketRefused:
		st, _, _ := s.readBatch(t.Form, q.fault)
		return s.showBatch(w, q, http.StatusOK, t.Form, batchPage{Say: t.Say, Step: st.step})
	}
	s.awaited(w, q, batchBase)
	return nil
}
