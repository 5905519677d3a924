package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// The trail tells what stood before each change, and who looked at it; its
// export holds the chain, so that anybody can prove it.
func TestTrailBeforeAndAfter(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	number := strings.TrimPrefix(address, "/cases/")
	v.send(address, address+"/facts", answers())
	v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.awake_spo2": {"91"}, "d.awake_spo2": {"=visit note"}})
	v.send(address, address+"/patient", url.Values{"name": {"Ada Merrin-Ash"}, "birth": {"1951-05-04"}})
	b.employs("P. Lund")
	v.send(address, address+"/assign", url.Values{"owner": {"P. Lund"}, "due": {"2026-07-01"}})
	v.send(address, address+"/close", url.Values{"reason": {"done"}})
	trail := v.page(address + "/trail")
	b.wants(trail, "The chain was proved just now", "looked at: trail", "patient name: Ada Merrin", "with: M. Reyes")

	w := v.get(address + "/trail.json")
	if w.Code != http.StatusOK || w.Header().Get("Content-Disposition") != `attachment; filename="`+number+`-trail.json"` {
		t.Fatalf("status %d, %v", w.Code, w.Header())
	}
	var out struct {
		Case, Hash string
		Events     []struct {
			K        int
			By, Kind string
			Changes  []trailChange
			Event    json.RawMessage
		}
	}
	if err := json.Unmarshal([]byte(v.last), &out); err != nil {
		t.Fatal(err)
	}
	change := func(kind casework.Kind, of string) (found []trailChange) {
		for _, e := range out.Events {
			for _, ch := range e.Changes {
				if e.Kind == string(kind) && ch.Of == of {
					found = append(found, ch)
				}
			}
		}
		return found
	}
	for _, tt := range []struct {
		kind casework.Kind
		of   string
		want []trailChange
	}{
		{casework.KindPatientStated, "patient name", []trailChange{{"patient name", "", "Ada Merrin"}, {"patient name", "Ada Merrin", "Ada Merrin-Ash"}}},
		{casework.KindPatientStated, "patient identifier 1", []trailChange{{"patient identifier 1", "", "HV-20417"}, {"patient identifier 1", "HV-20417", ""}}},
		{casework.KindAssigned, "with", []trailChange{{"with", "M. Reyes", "P. Lund"}}},
		{casework.KindAssigned, "due", []trailChange{{"due", "", "2026-07-01"}}},
		{casework.KindClosed, "case", []trailChange{{"case", "open", "closed"}}},
	} {
		if got := change(tt.kind, tt.of); !slices.Equal(got, tt.want) {
			t.Errorf("%s of %s: %q, want %q", tt.of, tt.kind, got, tt.want)
		}
	}
	awake := change(casework.KindFactsStated, "awake_spo2")
	if len(awake) != 2 || awake[0].Before != "" || !strings.HasPrefix(awake[1].Before, "92 %") || !strings.HasPrefix(awake[1].After, "91 %") {
		t.Errorf("the awake reading: %q", awake)
	}
	if last := out.Events[len(out.Events)-1]; last.Kind != "viewed" || last.By != "M. Reyes" {
		t.Errorf("the export itself is not in the trail: %+v", last)
	}
	// Each hash by the words of casework.Event.Sum, with nothing of ours: the
	// canonical JSON without its member "hash".
	prev := ""
	for _, e := range out.Events {
		var members map[string]json.RawMessage
		if err := json.Unmarshal(e.Event, &members); err != nil {
			t.Fatal(err)
		}
		var hash, before string
		must(0, json.Unmarshal(members["hash"], &hash))
		must(0, json.Unmarshal(members["prev"], &before))
		delete(members, "hash")
		plain := must(json.Marshal(members)) // sorts members; our values hold no <, > or &
		var tight bytes.Buffer
		if err := json.Compact(&tight, plain); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(tight.Bytes())
		if hash != hex.EncodeToString(sum[:]) || before != prev {
			t.Errorf("event %d does not prove: %s", e.K, tight.Bytes())
		}
		prev = hash
	}
	if prev != out.Hash || out.Case != number {
		t.Errorf("the export ends in %s, says %s", prev, out.Hash)
	}

	v.page(address + "/trail.csv")
	rows := must(csv.NewReader(strings.NewReader(v.last)).ReadAll())
	seen := map[string]bool{}
	for _, row := range rows[1:] {
		seen[row[1]] = true
		for _, cell := range row {
			if cell != "" && strings.ContainsRune("=+-@", rune(cell[0])) {
				t.Errorf("a spreadsheet would read %q as a formula", cell)
			}
		}
	}
	if len(seen) != b.events(number) || len(rows[0]) != 11 {
		t.Errorf("the table holds %d events, the case %d", len(seen), b.events(number))
	}
}

// The trail of a case whose personal values are gone still stands.
func TestTrailOfADestroyedCase(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	number := strings.TrimPrefix(address, "/cases/")
	v.send(address, address+"/close", url.Values{"reason": {"a reason in words"}})
	if err := casework.Destroy(t.Context(), b.store, number, b.stamp("airwarrant", casework.RoleSystem), "retention ended"); err != nil {
		t.Fatal(err)
	}
	b.wants(v.page(address+"/trail"), "patient stated: (destroyed)", "case closed: (destroyed)", "personal values destroyed: retention ended", "the chain still stands")
	b.lacks(v.last, "Merrin", "a reason in words")
	v.page(address + "/trail.json")
	b.lacks(v.last, "Merrin", "a reason in words")
}

// altered is a store in which somebody changes an event, once on is set.
type altered struct {
	storetest.Memory
	on bool
}

func (s *altered) Events(ctx context.Context, id string, from int) ([]casework.Event, error) {
	all, err := s.Memory.Events(ctx, id, from)
	for i := range all {
		if s.on && all[i].K == 2 {
			all[i].By = "somebody else"
		}
	}
	return all, err
}

func TestTrailOfABrokenChain(t *testing.T) {
	store := &altered{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	store.on = true
	for _, path := range []string{address, address + "/trail", address + "/trail.csv"} {
		if w := v.get(path); w.Code != http.StatusConflict {
			t.Errorf("%s: status %d, want 409", path, w.Code)
		}
		b.wants(v.last, "Event 2 was changed or removed outside this program", "audit verify")
	}
}

// An administrator reaches every trail from a list without names, and is in it.
func TestTrailForTheAdministrator(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	address := b.at(Intake).open(medicare, merrin)
	v := b.at(Administrator)
	b.lacks(v.page("/cases"), "Merrin", `href="`+address+`"`)
	if !strings.Contains(v.last, `href="`+address+`/trail"`) {
		t.Error("the list does not lead to the trail")
	}
	b.wants(v.page(address+"/trail"), "administrator looked at: trail")
	b.lacks(v.last, "To the case")
	if w := v.get(address); w.Code != http.StatusForbidden {
		t.Errorf("the case itself: status %d, want 403", w.Code)
	}
}

// A long trail comes in pages that hold every event once; the hash is that of
// the whole, and the exports are whole.
func TestLongTrailComesInPages(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	number := strings.TrimPrefix(address, "/cases/")
	for i := range 2*trailSize + 30 {
		_, err := casework.Update(t.Context(), b.store, number, b.stamp("M. Reyes", casework.RoleIntake), func(*casework.Case) (casework.Change, error) {
			return casework.Assigned{Owner: fmt.Sprintf("Person %d", i)}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	links := regexp.MustCompile(`<a href="(/cases/[^"]*trail\?after=[^"]*)">([^<]*)</a>`)
	rows := regexp.MustCompile(`<tr id="event-(\d+)">`)
	seen := map[string]bool{}
	last := ""
	for at := address + "/trail"; at != ""; {
		page := v.page(at)
		b.wants(page, fmt.Sprintf("%d events, each with the hash", b.events(number)))
		found := rows.FindAllStringSubmatch(page, -1)
		if len(found) == 0 || len(found) > trailSize {
			t.Fatalf("%s: %d events", at, len(found))
		}
		for _, m := range found {
			if seen[m[1]] {
				t.Errorf("event %s stands on two pages", m[1])
			}
			seen[m[1]] = true
		}
		at = ""
		for _, m := range links.FindAllStringSubmatch(page, -1) {
			if strings.Contains(m[2], "follow") {
				at = m[1]
			} else if last == "" && strings.Contains(m[2], "last") {
				last = m[1]
			}
		}
	}
	if n := b.events(number); len(seen) != n {
		t.Errorf("the pages hold %d of %d events", len(seen), n)
	}
	b.wants(v.page(last), fmt.Sprintf("Person %d", 2*trailSize+29), "From the beginning")
	// What stood before an event is told where its page begins, too.
	b.wants(v.page(address+"/trail?after="+trailToken(150)), "Person 147", "Person 148")
	for _, foreign := range []string{"h31", "e", "exx", "e" + "2d31", trailToken(9999), trailToken(0) + "00", "7"} {
		if m := rows.FindStringSubmatch(v.page(address + "/trail?after=" + foreign)); m == nil || m[1] != "1" {
			t.Errorf("a token of another list, %q, begins at %v", foreign, m)
		}
	}
	v.get(address + "/trail.csv")
	if n := strings.Count(v.last, "\n"); n < b.events(number) {
		t.Errorf("the table has %d lines for %d events", n, b.events(number))
	}
}

// The days of a trail are written as those of the other pages of its case.
func TestTrailWritesDaysOfTheCriteria(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	for region, day := range map[string]string{medicare: "Jun 1, 2026", "es-separ": "1 Jun 2026"} {
		address := v.open(region, merrin)
		page := v.page(address + "/trail")
		b.wants(page, day+" 09:00")
		b.lacks(page, map[string]string{"Jun 1, 2026": "1 Jun 2026", "1 Jun 2026": "Jun 1, 2026"}[day])
	}
}
