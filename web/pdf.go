package web

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"github.com/klippa-app/go-pdfium"
	"github.com/klippa-app/go-pdfium/enums"
	"github.com/klippa-app/go-pdfium/references"
	"github.com/klippa-app/go-pdfium/requests"
	"github.com/klippa-app/go-pdfium/webassembly"
	"github.com/tetratelabs/wazero"
	"github.com/tetratelabs/wazero/api"
	"github.com/tetratelabs/wazero/experimental"

	"airwarrant/rules/wording"
)

// Limits of a PDF page (our choice): a sheet is drawn at 200 dots an inch of
// A4, in at most half a minute, with at most 256 MiB.
const (
	pdfWidth, pdfHeight = 1654, 2896
	pdfTime             = 30 * time.Second
	pdfMemory           = 4096 // pages of WebAssembly, of 64 KiB each
)

// pdfReader draws pages of PDF files. The drawing runs in a machine of its own
// (WebAssembly) that reaches no file, no network and no memory but its own; it
// is made when the first PDF comes, which takes a few seconds, and each file
// gets a fresh one.
type pdfReader struct {
	mu   sync.Mutex // one file at a time
	pool pdfium.Pool
}

var errPDF = &pictureError{wording.Said("a PDF that opens without a password"), wording.Said("one that cannot be read"), wording.Said("print it to PDF again, or scan the page")}

// open opens a file, hands it to use and closes it.
func (p *pdfReader) open(ctx context.Context, data []byte, use func(pdfium.Pdfium, references.FPDF_DOCUMENT, int) error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err // waited for, and nobody waits any more
	}
	if p.pool == nil {
		pool, err := webassembly.Init(webassembly.Config{MaxTotal: 1, Stdout: io.Discard, Stderr: io.Discard,
			FSConfig: wazero.NewFSConfig(), // no folder at all
			RuntimeConfig: wazero.NewRuntimeConfig().WithMemoryLimitPages(pdfMemory).WithCloseOnContextDone(true).
				WithCoreFeatures(api.CoreFeaturesV2 | experimental.CoreFeaturesExceptionHandling)})
		if err != nil {
			return fmt.Errorf("starting the reader of PDF: %w", err)
		}
		p.pool = pool
	}
	in, err := p.pool.GetInstanceWithContext(ctx)
	if err != nil {
		return fmt.Errorf("starting the reader of PDF: %w", err)
	}
	stop := time.AfterFunc(pdfTime, func() { _ = in.Kill() })
	_, err = calm(func() (struct{}, error) {
		d, err := in.OpenDocument(&requests.OpenDocument{File: &data})
		if err != nil {
			return struct{}{}, err
		}
		n, err := in.FPDF_GetPageCount(&requests.FPDF_GetPageCount{Document: d.Document})
		if err != nil {
			return struct{}{}, err
		}
		return struct{}{}, use(in, d.Document, n.PageCount)
	})
	if stop.Stop() {
		_ = in.Close() // its memory goes with it
	}
	if _, ours := err.(*pictureError); err == nil || ours {
		return err
	}
	return errPDF // its text may quote the file
}

// pages counts the pages of a PDF file.
func (p *pdfReader) pages(ctx context.Context, data []byte) (int, error) {
	pages := 0
	err := p.open(ctx, data, func(_ pdfium.Pdfium, _ references.FPDF_DOCUMENT, n int) error {
		if n < 1 || n > pagesLimit {
			return &pictureError{wording.Said("1 to %d pages", pagesLimit), wording.Verbatim(strconv.Itoa(n)), wording.Said("send the pages of the report alone")}
		}
		pages = n
		return nil
	})
	return pages, err
}

// leaf draws one page, with stamps and notes that lie on it.
func (p *pdfReader) leaf(ctx context.Context, data []byte, page int) (leaf, error) {
	var out leaf
	err := p.open(ctx, data, func(in pdfium.Pdfium, d references.FPDF_DOCUMENT, n int) error {
		r, err := in.RenderPageInPixels(&requests.RenderPageInPixels{Width: pdfWidth, Height: pdfHeight, RenderFlags: enums.FPDF_RENDER_FLAG_ANNOT,
			Page: requests.Page{ByIndex: &requests.PageByIndex{Document: d, Index: page - 1}}})
		if err != nil {
			return err
		}
		defer r.Cleanup()
		out, err = pngLeaf(r.Result.RenderedImage, func(w, h int) (int, int) { return w, h })
		return err
	})
	return out, err
}
