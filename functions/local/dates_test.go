package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const datedFacts = "test_date: 2030-02-01\ntest_state: rest\ntest_place: facility\ntest_oxygen: room_air\norder_date: 2030-01-25\nbirth_date: 1951-05-04\n"

// check --ics writes what follows and has a date; without any it writes no
// file, says so, and exits as it would have.
func TestCheckWritesDates(t *testing.T) {
	dir := t.TempDir()
	facts, ics := filepath.Join(dir, "facts.yaml"), filepath.Join(dir, "dates.ics")
	run := func(more string) ran {
		if err := os.WriteFile(facts, []byte(datedFacts+more), 0o600); err != nil {
			t.Fatal(err)
		}
		return command(t, "", "check", "--criteria", "xx-example", "--facts", facts, "--ics", ics)
	}
	for _, c := range []struct {
		more string
		code int
	}{{"rest_spo2: 91\n", exitOK}, {"", exitUndetermined}} {
		r := run(c.more)
		if _, err := os.Stat(ics); r.code != c.code || err == nil || !strings.Contains(r.err, "no file was written") || r.out == "" {
			t.Errorf("%q: status %d, %v, %q", c.more, r.code, err, r.err)
		}
	}
	if r := run("rest_spo2: 90\nstart_date: 2030-03-31\n"); r.code != exitOK || r.err != "" {
		t.Fatalf("%+v", r)
	}
	b, err := os.ReadFile(ics)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"DTSTART;VALUE=DATE:20310228\r\nDTEND;VALUE=DATE:20310401\r\n", "SUMMARY:Renewal of oxygen at home\r\n"} {
		if !strings.Contains(string(b), want) {
			t.Errorf("expected %q in\n%s", want, b)
		}
	}
	if strings.Contains(string(b), "1951") {
		t.Error("the calendar tells the birth date")
	}
	if r := command(t, "", "check", "--criteria", "xx-example", "--facts", facts, "--ics", "-"); r.code != exitUsage || r.out != "" {
		t.Errorf("--ics -: %+v", r)
	}
	if r := command(t, "", "check", "--criteria", "xx-example", "--facts", facts, "--ics", filepath.Join(dir, "none", "dates.ics")); r.code != exitUsage || r.out != "" || !strings.Contains(r.err, "--ics") {
		t.Errorf("a folder that is not there: %+v", r)
	}
}
