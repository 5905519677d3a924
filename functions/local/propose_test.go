package main

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

// TestMeasureProposes tells how columns would be taken; answered as told, the
// file is read.
func TestMeasureProposes(t *testing.T) {
	text := "Time,SpO2,SaO2,Pulse\n03/04/2026 22:00:00,94,95,61\n03/04/2026 22:00:04,88,89,62\n"
	r := command(t, text, "measure", "-", "--propose", "--json")
	if r.code != 0 || r.err != "" {
		t.Fatalf("exit %d: %s", r.code, r.err)
	}
	var p struct {
		Header   *int
		Shape    *string
		Order    *string
		Mapping  string
		Question *string
		Orders   []struct{ Order, Reading string }
		Columns  []struct {
			Number       int
			Role, Reason string
			Could        []string
		}
		Rows []struct {
			Line  int
			Cells []string
		}
	}
	dec := json.NewDecoder(strings.NewReader(r.out))
	if err := dec.Decode(&p); err != nil {
		t.Fatal(err)
	}
	var roles []string
	for _, c := range p.Columns {
		roles = append(roles, c.Role)
	}
	if !slices.Equal(roles, []string{"time", "not read", "not read", "pulse"}) || p.Columns[1].Could[0] != "spo2" {
		t.Errorf("columns %+v", p.Columns)
	}
	if p.Header == nil || *p.Header != 1 || p.Shape == nil || p.Order != nil || p.Question == nil || !strings.Contains(*p.Question, "spo2=2 or spo2=3") {
		t.Errorf("proposal %s", r.out)
	}
	if len(p.Orders) != 2 || p.Orders[1].Reading != "4 March 2026" || len(p.Rows) != 2 || p.Rows[1].Line != 3 || p.Rows[1].Cells[1] != "88" {
		t.Errorf("answers %v, rows %v", p.Orders, p.Rows)
	}
	if r := command(t, text, "measure", "-", "--columns", p.Mapping); r.code != 2 || !strings.Contains(r.err, "say which one: --columns spo2=2 or spo2=3") {
		t.Errorf("the mapping without answers: exit %d, want 2 and the flag in %s", r.code, r.err)
	}
	if r := command(t, text, "measure", "-", "--columns", p.Mapping+",spo2=SpO2,order="+p.Orders[1].Order); r.code != 0 {
		t.Errorf("the mapping with the answers: exit %d: %s", r.code, r.err)
	}
	r = command(t, text, "measure", "-", "--propose")
	for _, want := range []string{"columns divided by comma", "order=mdy  4 March 2026", "another column may be meant as well", "line 3", "question: ", "--columns '" + p.Mapping + "'"} {
		if r.code != 0 || !strings.Contains(r.out, want) {
			t.Errorf("exit %d, the text lacks %q:\n%s", r.code, want, r.out)
		}
	}
	if r := command(t, "a letter\n", "measure", "-", "--propose"); r.code != 2 || r.out != "" {
		t.Errorf("no table: exit %d, %q", r.code, r.out)
	}
}
