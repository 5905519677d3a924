//go:build outside

package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	cdp "github.com/chromedp/chromedp"
)

// walkFile is an invented walk at one reading a second from 10:00:00: five
// minutes of rest at 93, six of exertion that end at 86, four of recovery that
// begin at 84, six of exertion on oxygen at 91. With remarks of whoever
// supervised it, if asked.
func walkFile(remarks bool) string {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse")
	if remarks {
		b.WriteString(",Remark")
	}
	b.WriteString("\n")
	start := time.Date(2024, 3, 13, 10, 0, 0, 0, time.UTC)
	for i := range 1260 {
		spo2, said := 93, ""
		switch {
		case i >= 900:
			spo2 = 91
		case i >= 660:
			spo2 = 84 + (i-660)/26
		case i >= 300:
			spo2 = 93 - (i-300)/46
		}
		switch i {
		case 300:
			said = "walk begins"
		case 660:
			said = "walk ends"
		}
		fmt.Fprintf(&b, "%s,%d,%d", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), spo2, 80+i/5%4)
		if remarks {
			b.WriteString("," + said)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// openWalk opens a case of a walk with its conditions stated and the recording
// sent.
func openWalk(t *testing.T, b *browser, remarks bool) {
	t.Helper()
	b.visit("/")
	if b.js("!!document.querySelector('button[name=desk][value=intake]')") {
		b.press("button[name=desk][value=intake]")
	}
	b.visit("/cases/new")
	b.give("form", map[string]string{"payer": "us-medicare", "name": "Corin Halloway (invented)", "birth": "1948-02-11"})
	b.press("button.main")
	b.give("form", map[string]string{"v.test_performed_by": "hospital", "v.test_place": "facility", "v.test_state": "exertion", "v.supplier_part": "none",
		"v.custody": "sent_by_practitioner", "v.test_date": "2024-03-13"})
	b.press("#custody button")
	b.do(cdp.SetUploadFiles("input[type=file]", []string{file(t, "walk.csv", walkFile(remarks))}))
	b.press("#recording button[type=submit]")
	if !b.js("!!document.querySelector('#marks form')") {
		t.Fatalf("a walk offers no marks:\n%s", b.text())
	}
}

// place clicks the trace at a second of the walk.
func (b *browser) place(second int) {
	b.t.Helper()
	if !b.js(fmt.Sprintf(`(()=>{const t=document.querySelector('[data-pick]');const d=t.dataset;const e=t.getBoundingClientRect();
		const share=Number(d.left)+(Number(d.right)-Number(d.left))*%d*1000/Number(d.span);
		t.dispatchEvent(new MouseEvent('click',{bubbles:true,clientX:e.left+e.width*share,clientY:e.top+40}));return true})()`, second)) {
		b.t.Fatal("no trace to click")
	}
}

func (b *browser) field(name string) string {
	b.t.Helper()
	s, err := cdp.Run(b.ctx, cdp.Evaluate[string](fmt.Sprintf("document.querySelector('#marks [name=%q]').value", name)))
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// TestOutsideWalkMarkedByHand marks a walk on its trace by clicks and by keys,
// answers what is left, and reads the legs on paper.
func TestOutsideWalkMarkedByHand(t *testing.T) {
	b := open(t)
	openWalk(t, b, false)
	b.look("40-walk-unmarked")

	// Eight clicks, one after the other: each goes into the next field, and is
	// drawn to an end of the session or a time that stands already. A pixel is
	// about a second and a half.
	for _, second := range []int{1, 300, 303, 660, 900, 1258, 663, 897} {
		b.place(second)
	}
	near := func(name string, second int) {
		t.Helper()
		at, err := time.Parse("15:04:05", b.field(name))
		if off := at.Hour()*3600 + at.Minute()*60 + at.Second() - 36000 - second; err != nil || off < -2 || off > 2 {
			t.Errorf("a click fills %s with %s", name, b.field(name))
		}
	}
	near("until.rest_air", 300)
	near("until.exertion_air", 660)
	near("from.exertion_oxygen", 900)
	for name, as := range map[string]string{"from.exertion_air": "until.rest_air", "from.recovery": "until.exertion_air", "until.recovery": "from.exertion_oxygen"} {
		if b.field(name) != b.field(as) {
			t.Errorf("%s is %s, and %s is %s", name, b.field(name), as, b.field(as))
		}
	}
	if b.field("from.rest_air") != "10:00:00" || b.field("until.exertion_oxygen") != "10:21:00" {
		t.Errorf("the ends are %s and %s", b.field("from.rest_air"), b.field("until.exertion_oxygen"))
	}
	// To the second, by the keyboard alone.
	for name, second := range map[string]int{"until.rest_air": 299, "from.exertion_air": 300, "until.exertion_air": 660, "from.recovery": 660, "until.recovery": 900, "from.exertion_oxygen": 900} {
		if !b.js(fmt.Sprintf(`(()=>{const c=document.querySelector('.cursor');document.querySelector('#marks [name=%q]').dispatchEvent(new FocusEvent('focus'));c.focus();
			const key=(k)=>c.dispatchEvent(new KeyboardEvent('keydown',{key:k,bubbles:true,cancelable:true}));
			key('Home');for(let i=0;i<%d;i++)key('PageUp');for(let i=0;i<%d;i++)key('ArrowRight');key('Enter');return document.activeElement===c})()`, name, second/30, second%30)) {
			t.Error("the trace cannot be reached by the keyboard")
		}
	}
	if b.field("until.rest_air") != "10:04:59" || b.field("from.recovery") != "10:11:00" || b.field("from.recovery_2") != "" {
		t.Errorf("the arrow keys filled %s, %s and %s", b.field("until.rest_air"), b.field("from.recovery"), b.field("from.recovery_2"))
	}
	// Marks that overlap are refused by their row, and nothing is lost.
	b.give("#marks form", map[string]string{"until.exertion_air": "10:11:30", "flow.exertion_oxygen": "2", "device.exertion_oxygen": "continuous_flow"})
	b.press("#marks button.main")
	if s := b.text(); !strings.Contains(s, "shares time with “2 Exertion on room air”") || b.field("until.exertion_air") != "10:11:30" || b.field("flow.exertion_oxygen") != "2" {
		t.Errorf("overlapping marks:\n%s", s)
	}
	b.look("41-walk-overlap")
	b.give("#marks form", map[string]string{"until.exertion_air": "10:11:00"})
	b.press("#marks button.main")
	if b.field("until.rest_air") != "10:04:59" || b.js("!!document.querySelector('#marks .error')") {
		t.Errorf("the marks were not taken:\n%s", b.text())
	}
	for range 4 {
		asked := map[string]string{}
		for name, v := range map[string]string{"v.ordered_by_treating_practitioner": "true", "v.evaluated_by_treating_practitioner": "true", "v.expected_benefit": "true",
			"v.inpatient": "false", "v.exertion_in_person": "true", "v.same_sitting": "true", "v.exertion_spo2_air": "", "v.exertion_supervised_by": "qualified_professional"} {
			if b.js(fmt.Sprintf("!!document.querySelector('#questions [name=%q]')", name)) {
				asked[name] = v
			}
		}
		if _, again := asked["v.same_sitting"]; again {
			t.Error("one sitting is asked although the legs lie in one session")
		}
		if _, again := asked["v.exertion_spo2_air"]; again {
			t.Error("a value is asked that the recording tells")
		}
		if len(asked) == 0 {
			break
		}
		b.give("#questions form", asked)
		b.press("#questions button.main")
	}
	if s := b.text(); !strings.Contains(s, "Written criteria met") || !strings.Contains(s, "The exertional test in legs") {
		t.Errorf("a walk that meets the criteria:\n%s", s)
	}
	b.look("42-walk-marked")

	number := strings.TrimPrefix(b.path(), "/cases/")
	pdf := b.fetch("/cases/" + number + "/worksheet.pdf")
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatalf("no PDF: %.80q", pdf)
	}
	paper := strings.Join(strings.Fields(pdfText(t, pdf)), " ")
	for _, want := range []string{"The exertional test in legs", "2 exertion on room air 10:05:00 10:11:00 room air 93 86 86 86", "10:15:00 10:21:00 oxygen, 2 L/min", "R recovery 10:11:00 10:15:00", "One sitting: yes"} {
		if !strings.Contains(paper, want) {
			t.Errorf("%q does not stand on paper:\n%s", want, paper)
		}
	}
	b.paper("walk", pdf)
}

// TestOutsideMarksOfTheRecording: what the recording itself marks is offered in
// every field, and without script the same form is filled in by hand.
func TestOutsideMarksOfTheRecording(t *testing.T) {
	b := open(t)
	openWalk(t, b, true)
	if !b.js(`[...document.querySelectorAll('#said option')].map(o=>o.value+' '+o.textContent).join()==='10:05:00 walk begins,10:11:00 walk ends' && document.querySelector('#marks [name="from.rest_air"]').getAttribute('list')==='said'`) {
		t.Errorf("the marks of the recording are not offered:\n%s", b.text())
	}
	b.look("43-walk-remarks")
	// A leg of which only the end is stated, and one that lies outside.
	b.give("#marks form", map[string]string{"until.rest_air": "10:05", "from.exertion_air": "11:05:00", "until.exertion_air": "11:11:00"})
	b.press("#marks button.main")
	for _, want := range []string{"Expected from and until; found only one of them", "found no sample in it"} {
		if !strings.Contains(b.text(), want) {
			t.Errorf("%q is not said:\n%s", want, b.text())
		}
	}
	b.look("44-walk-faults")
}
