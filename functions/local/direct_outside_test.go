//go:build outside

package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/functions/internal/store/cloud"
	"airwarrant/functions/internal/store/cloud/cloudtest"
	"airwarrant/web"
)

// Where files go elsewhere, a browser sends them from the page of a ticket
// straight to the bucket, is sent back, and sees what became of them: the policy
// of the pages lets it, and no other way is open.
func TestOutsideDirect(t *testing.T) {
	bucket := cloudtest.Start(t).Store(t)
	var conf web.Config
	b := openSite(t, func(c *web.Config, _ string) {
		c.Demo, c.Arrivals = true, bucket
		conf = *c
	})
	other, err := web.New(conf) // what a function does with the same store
	if err != nil {
		t.Fatal(err)
	}
	// sent presses the button, and takes what arrived as the function does.
	sent := func(name string, data []byte) {
		t.Helper()
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		b.do(cdp.SetUploadFiles("#file", []string{path}))
		key := b.value("input[name=key]")
		b.press("main button.main")
		if s := b.text(); !strings.Contains(s, "The file is awaited, or being read.") {
			t.Fatalf("at %s:\n%s", b.path(), s)
		}
		id, ok := cloud.TicketOf(key)
		if !ok {
			t.Fatalf("the key is %q", key)
		}
		out, err := other.Arrived(t.Context(), id, int64(len(data)), time.Now(), func(ctx context.Context) (io.ReadCloser, error) { return bucket.Arrival(ctx, id) })
		if err != nil {
			t.Fatalf("%+v, %v", out, err)
		}
		b.visit(b.path())
	}
	b.sit(web.Intake)
	b.ready("Isolde Wren (invented)")
	b.look("90-direct-case")
	b.press("#recording button.main")
	b.look("91-direct-recording")
	sent("letter.txt", []byte("\x00\x01 no recording"))
	b.look("92-direct-refused")
	b.wants("Nothing was stored")
	b.press("#recording button.main")
	sent("night.csv", []byte(night("93*1725 87*100 93*5000")))
	b.wants("6.66 min")

	number := strings.Split(b.path(), "/")[2]
	b.visit("/cases/" + number + "/papers")
	b.look("93-direct-papers")
	b.give("#add form", map[string]string{"kind": "order", "name": "Isolde Wren (invented)", "date": "2024-02-20"})
	b.press("#add button.main")
	b.look("94-direct-paper")
	sent("order.tif", web.DemoFax())
	b.wants("order")
	if b.path() != "/cases/"+number+"/papers" {
		t.Errorf("at %s", b.path())
	}

	b.visit("/batch")
	b.give("main form", map[string]string{"payer": "us-medicare", "v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "order_on_file"})
	b.press("main button.main")
	b.look("95-direct-batch")
	b.press("main button.main")
	b.look("96-direct-zip")
	sent("one.csv", []byte(night("93*1725 87*100 93*5000")))
	b.wants("1 file read")
}
