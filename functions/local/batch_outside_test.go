//go:build outside

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	cdp "github.com/chromedp/chromedp"

	"airwarrant/web"
)

// Many recordings are chosen at once; their lines have an address of their own,
// where they and the table are found again.
func TestOutsideBatch(t *testing.T) {
	b := open(t)
	b.visit("/")
	b.press("button[name=desk][value=intake]")
	b.visit("/batch")
	b.look("60-batch")
	b.press("main button.main")
	b.look("61-batch-refused")
	b.give("main form", map[string]string{"payer": "us-medicare", "v.test_performed_by": "idtf", "v.test_place": "home", "v.test_state": "asleep", "v.supplier_part": "delivered_unit", "v.custody": "order_on_file"})
	b.press("main button.main")
	b.look("62-batch-files")
	dir, paths := t.TempDir(), []string{}
	for _, r := range web.DemoRecordings() {
		path := filepath.Join(dir, r.Name)
		if err := os.WriteFile(path, r.Data, 0o600); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
	}
	bad := filepath.Join(dir, "letter.txt")
	if err := os.WriteFile(bad, []byte("no recording"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.do(cdp.SetUploadFiles("#files", append(paths, bad)))
	b.do(cdp.SetUploadFiles("#facts", []string{file(t, "facts.csv", "file,test_date,awake_spo2\nnight-2.csv,2026-02-17,95 %\n")}))
	b.press("main button.main")
	if s := b.text(); !strings.Contains(s, "files read under") || !strings.Contains(s, "letter.txt") || b.path() != "/batch/1" {
		t.Errorf("after the batch, at %s:\n%s", b.path(), s)
	}
	b.look("63-batch-lines")
	b.visit("/batch/1") // a reload
	if !strings.Contains(b.text(), "letter.txt") {
		t.Errorf("after a reload:\n%s", b.text())
	}
	table := b.fetch("/batch/1/table.csv")
	if !strings.HasPrefix(string(table), "file,sha256,session,") || strings.Count(string(table), "\n") < len(paths)+2 {
		t.Errorf("the table:\n%s", table)
	}
	b.visit("/batch")
	if !strings.Contains(b.text(), "batch 1") {
		t.Errorf("the batch is not listed:\n%s", b.text())
	}
	b.look("64-batch-before")
}
