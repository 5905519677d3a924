package web

import (
	"bytes"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/criteria"
)

// walked opens a case of the demonstration's walk, with the recording sent.
func (v *visitor) walked() string {
	v.b.t.Helper()
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-04-14"}, "v.test_state": {"exertion"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	if r := v.upload(address, address+"/recording", recordings()["walk-8.csv"], nil); r.Code != http.StatusSeeOther {
		v.b.t.Fatalf("upload: status %d: %s", r.Code, text(v.last))
	}
	return address
}

// walkForm are the marks of the demonstration's walk, typed short.
func walkForm(more map[string]string) url.Values {
	form := url.Values{"from.rest_air": {"10:02"}, "until.rest_air": {"10:07"}, "from.exertion_air": {"10:07:00"}, "until.exertion_air": {"10:13:00"},
		"from.recovery": {"10:13:00"}, "until.recovery": {"10:17:00"}, "from.exertion_oxygen": {"10:17:00"}, "until.exertion_oxygen": {"10:23:00"},
		"flow.exertion_oxygen": {"2"}, "device.exertion_oxygen": {"continuous_flow"}}
	for k, v := range more {
		form.Set(k, v)
	}
	return form
}

// TestMarksOfAWalk goes from the recording to the worksheet: the page offers
// the recording's own marks, takes those typed, and asks no value that a leg
// tells; a form without marks takes them back.
func TestMarksOfAWalk(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.walked()
	page := v.page(address)
	b.wants(page, "The legs of the walk, marked on the recording", "The session runs from 10:02:00 until 10:24:30", `<option value="10:07:00">walk begins</option>`,
		`name="from.exertion_air"`, "data-pick", "What was the lowest saturation on exertion, on room air?")
	b.lacks(page, "The exertional test in legs")

	page = v.send(address, address+"/marks", walkForm(nil))
	b.wants(page, "The exertional test in legs", `name="until.rest_air" value="10:07:00"`, `<option value="continuous_flow" selected>`,
		"rest on room air from 10:02:00 until 10:07:00; exertion on room air from 10:07:00", "oxygen, 2 L/min, continuous flow", "One sitting: yes")
	b.lacks(page, "What was the lowest saturation on exertion", "Were all legs of the exertional test taken in one sitting?", `name="v.recordings"`)
	page = v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.ordered_by_treating_practitioner": {"true"}, "v.evaluated_by_treating_practitioner": {"true"},
		"v.expected_benefit": {"true"}, "v.inpatient": {"false"}, "v.exertion_in_person": {"true"}})
	b.wants(page, "✓ written criteria met")
	b.wants(v.page(address+"/worksheet.json"), `"role": "exertion_oxygen"`, `"flow_l_min": 2`)

	page = v.send(address, address+"/marks", url.Values{})
	b.wants(page, "? undetermined", "What was the lowest saturation on exertion, on room air?")
	b.lacks(page, "The exertional test in legs")
	b.wants(v.page(address+"/trail"), "rest on room air from 10:02:00 until 10:07:00")
}

// TestMarksThatCannotBeTaken: each fault stands by its row, nothing is stored,
// and everything typed is still there.
func TestMarksThatCannotBeTaken(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.walked()
	for _, c := range []struct {
		more map[string]string
		say  string
	}{
		{map[string]string{"until.exertion_air": ""}, "Expected from and until; found only one of them"},
		{map[string]string{"until.exertion_air": "10:13:30"}, "found that this one shares time with “2 Exertion on room air”"},
		{map[string]string{"until.exertion_air": "10.13"}, "a stamp such as 2026-03-01T22:14:00"},
		{map[string]string{"until.exertion_air": "10:07:00"}, "Expected from before until"},
		{map[string]string{"from.rest_air": "09:00:00", "until.rest_air": "09:05:00"}, "found no sample in it"},
		{map[string]string{"from.rest_air": "+0:00:00", "until.rest_air": "+0:05:00"}, "Expected stamps as this recording has them"},
		{map[string]string{"flow.exertion_oxygen": "2 l"}, "Expected a flow above 0"},
		{map[string]string{"from.exertion_oxygen": "", "until.exertion_oxygen": ""}, "Expected from and until beside flow or device"},
		{map[string]string{"device.exertion_oxygen": "<bottle>"}, ""}, // no choice of the list: as if none was made
	} {
		v.page(address)
		r := v.post(address+"/marks", walkForm(c.more))
		if c.say == "" {
			if r.Code != http.StatusSeeOther {
				t.Errorf("%v: status %d", c.more, r.Code)
			}
			continue
		}
		if r.Code != http.StatusUnprocessableEntity {
			t.Errorf("%v: status %d", c.more, r.Code)
		}
		b.wants(v.last, c.say, "nothing of this part was stored", `aria-invalid="true"`, `name="until.recovery" value="10:17:00"`)
		for k, typed := range c.more {
			b.wants(html.UnescapeString(v.last), fmt.Sprintf("name=%q value=%q", k, typed))
		}
		b.lacks(v.page(address), "The exertional test in legs")
	}
}

// TestMarksOfTwoPeople: who sends marks over newer ones is told.
func TestMarksOfTwoPeople(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.walked()
	old := first(kForm, v.page(address))
	v.send(address, address+"/marks", walkForm(nil))
	v.page(address)
	form := walkForm(map[string]string{"until.rest_air": "10:06:00"})
	form.Set("k", old)
	if r := v.post(address+"/marks", form); r.Code != http.StatusUnprocessableEntity || !strings.Contains(v.last, "Somebody else marked the recording") {
		t.Errorf("status %d: %s", r.Code, text(v.last))
	}
	b.wants(v.page(address), `name="until.rest_air" value="10:07:00"`)
}

// TestMarksThatFitNoLonger: marks that the recording, as it is read now, does
// not hold leave the case standing without them, and can be set again.
func TestMarksThatFitNoLonger(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.walked()
	number := strings.TrimPrefix(address, "/cases/")
	err := b.update(t.Context(), number, b.stamp("test", casework.RoleIntake), func(f *file) (casework.Change, error) {
		text := stretchYAML(criteria.RecordingRole{SHA256: f.upload().SHA256, Role: criteria.RoleRestAir, From: "03:00:00", Until: "03:05:00"})
		sealed, err := b.seal(t.Context(), f.Case, statement{Name: "recordings", State: criteria.Stated, Text: text})
		return casework.FactsStated{Facts: map[string]casework.Stated{"recordings": sealed}}, err
	})
	if err != nil {
		t.Fatal(err)
	}
	b.wants(v.page(address), "do not fit the recording as it is read now", "The legs of the walk", `name="from.rest_air" value="03:00:00"`)
	b.wants(v.send(address, address+"/marks", walkForm(nil)), "The exertional test in legs")
	b.lacks(v.page(address), "do not fit the recording")
}

// TestTransientOnThePage: the question tells between what the value lies, and a
// typed one inside settles it.
func TestTransientOnThePage(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-04-14"}, "v.test_state": {"exertion"}, "v.test_place": {"facility"},
		"v.test_performed_by": {"hospital"}, "v.supplier_part": {"none"}, "v.custody": {"sent_by_practitioner"}})
	var walk strings.Builder
	walk.WriteString("Time,SpO2,Pulse\n")
	for i := range 180 {
		spo2 := 94
		if i >= 60 && i < 120 {
			spo2 = 91
		}
		if i == 90 || i == 91 {
			spo2 = 88
		}
		fmt.Fprintf(&walk, "2026-04-14 10:%02d:%02d,%d,%d\n", i/60, i%60, spo2, 80+i/5%4)
	}
	if r := v.upload(address, address+"/recording", []byte(walk.String()), nil); r.Code != http.StatusSeeOther {
		t.Fatalf("upload: status %d: %s", r.Code, text(v.last))
	}
	page := v.send(address, address+"/marks", url.Values{"from.rest_air": {"10:00"}, "until.rest_air": {"10:01"}, "from.exertion_air": {"10:01"}, "until.exertion_air": {"10:02"},
		"from.exertion_oxygen": {"10:02"}, "until.exertion_oxygen": {"10:03"}})
	b.wants(page, "What was the lowest saturation on exertion, on room air? It is only known to lie between 88 and 91 %", "91 % (between 88 and 91 %)")
	page = v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.exertion_spo2_air": {"88"}, "u.exertion_spo2_air": {"%"}})
	b.lacks(page, "It is only known to lie between")
}

// TestStretchOnAir: a night in which oxygen began asks for the stretch on room
// air, and reads it alone.
func TestStretchOnAir(t *testing.T) {
	lines := bytes.SplitAfter(bytes.ReplaceAll(recordings()["night-1.csv"], []byte("\r\n"), []byte("\n")), []byte("\n"))
	var night bytes.Buffer
	for _, l := range lines {
		row := string(bytes.TrimRight(l, "\n"))
		switch {
		case strings.HasPrefix(row, "Date and time"):
			row += ",Remark"
		case strings.HasPrefix(row, "2026-02-11 02:41:08"):
			row += ",oxygen 2 L/min"
		case strings.HasPrefix(row, "2026"):
			row += ","
		}
		night.WriteString(row + "\n")
	}
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	if r := v.upload(address, address+"/recording", night.Bytes(), nil); r.Code != http.StatusSeeOther {
		t.Fatalf("upload: status %d: %s", r.Code, text(v.last))
	}
	page := v.page(address)
	b.lacks(page, "Oxygen was begun or given during a part of the night") // it is asked
	b.wants(page, "The stretch of the night on room air", `name="until.air"`, `<option value="02:41:08">oxygen 2 L/min</option>`)
	page = v.send(address, address+"/marks", url.Values{"until.air": {"02:41:08"}})
	b.wants(page, "Only the stretch from Feb 10, 2026 22:41:08 to Feb 11, 2026 02:41:04 is read", `name="until.air" value="02:41:08"`)
}

// TestStretchOnAirIsFolded: a night that nobody has said to be on room air
// offers the stretch folded; one that is does not.
func TestStretchOnAirIsFolded(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	if r := v.upload(address, address+"/recording", recordings()["night-1.csv"], nil); r.Code != http.StatusSeeOther {
		t.Fatalf("upload: status %d: %s", r.Code, text(v.last))
	}
	b.wants(v.page(address), "<details><summary>Oxygen was begun or given during a part of the night")
	b.lacks(v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.test_oxygen": {"room_air"}}), "Oxygen was begun or given")
}
