package web

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/qualify/recording"
)

// mapped opens a case at intake whose night may be sent in, and returns its
// address.
func (b *bench) ready(v *visitor) string {
	b.t.Helper()
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	return address
}

// table writes rows with head; {date} and {i} of row stand for what changes.
func table(head string, rows int, row func(i int) string) []byte {
	var b strings.Builder
	b.WriteString(head)
	for i := range rows {
		b.WriteString(row(i) + "\n")
	}
	return []byte(b.String())
}

// twoSats is a night of 3 April or 4 March with two columns of saturation.
func twoSats(delimiter string) []byte {
	return table(strings.Join([]string{"Time", "SpO2", "SaO2", "Pulse"}, delimiter)+"\n", 600, func(i int) string {
		return strings.Join([]string{fmt.Sprintf("04/03/2026 22:%02d:%02d", i*4/60%60, i*4%60), fmt.Sprint(90 + i%7), fmt.Sprint(80 + i%5), "61"}, delimiter)
	})
}

var mappedKey = regexp.MustCompile(`name="mapped" value="([^"]*)"`)

// answered is the form of a mapping step with the given answers.
func (v *visitor) answered(more map[string]string) map[string]string {
	v.b.t.Helper()
	form := map[string]string{"mapped": first(mappedKey, v.last)}
	if form["mapped"] == "" {
		v.b.t.Fatalf("the page has no mapping step: %s", text(v.last))
	}
	for _, m := range regexp.MustCompile(`(?s)name="(c\.\d+)"[^>]*>(.*?)</select>`).FindAllStringSubmatch(v.last, -1) {
		form[m[1]] = first(regexp.MustCompile(`value="([^"]*)" selected`), m[2])
	}
	for k, val := range more {
		form[k] = val
	}
	return form
}

func TestMappingStep(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := b.ready(v)
	send := func(data []byte, more map[string]string, want int) string {
		t.Helper()
		if w := v.upload(address, address+"/recording", data, more); w.Code != want {
			t.Fatalf("status %d, want %d: %s", w.Code, want, text(v.last))
		}
		return v.last
	}
	data := twoSats(",")
	before := b.events(strings.TrimPrefix(address, "/cases/"))
	send(data, nil, 422)
	b.wants(v.last, "Column 1: Time", "Column 2: SpO2", "04/03/2026 22:00:00", "by its header", "another column may be meant as well", `<option value="time" selected>`, `<option value="pulse" selected>`,
		"columns divided by comma, header in line 1", "day, month, year: the first date is 4 March 2026", "month, day, year: the first date is 3 April 2026", "Choose the same file again", "found column 2", "Nothing was stored")
	b.lacks(v.last, "--columns", "show me how they are taken")
	step := v.last

	// Answers that cannot be used come back as they were given.
	for say, more := range map[string]map[string]string{
		"Expected one column of saturation; found none":                     {"order": "dmy", "none": "ERR 777"},
		"Expected one column of saturation (SpO2); found columns 2 and 3":   {"c.2": "spo2", "c.3": "spo2", "order": "dmy", "none": "ERR 777"},
		"dates that can be read in one way":                                 {"c.2": "spo2", "none": "ERR 777"},
		"found numbers in column 2":                                         {"c.1": "spo2", "c.2": "time", "none": "ERR 777"},
		"Expected the step between rows in seconds":                         {"c.2": "spo2", "order": "dmy", "none": "ERR 777", "interval": "four"},
		"Expected a step between rows from 0.001":                           {"c.2": "spo2", "order": "dmy", "none": "ERR 777", "interval": "0"},
		"Expected the start as 2026-03-01T22:00:00":                         {"c.2": "spo2", "order": "sideways", "none": "ERR 777"},
		"Expected at most 400 letters of codes":                             {"c.2": "spo2", "none": "ERR 777" + strings.Repeat("x", 500)},
		"Expected a name of at most 80 letters for the mapping; found more": {"c.2": "spo2", "order": "dmy", "keep": strings.Repeat("n", 81)},
	} {
		v.last = step
		form := v.answered(more)
		send(data, form, 422)
		b.wants(v.last, say, "Nothing was stored")
		if form["none"] == "ERR 777" {
			b.wants(v.last, `value="ERR 777"`, `name="mapped"`)
		}
	}
	// Another file than the one shown is not read as that one.
	v.last = step
	send([]byte(strings.Replace(string(data), "SaO2", "SvO2 satur", 1)), v.answered(map[string]string{"c.2": "spo2", "order": "dmy"}), 422)
	b.wants(v.last, "Column 3: SvO2 satur", "The file can be read in more than one way")
	if got := b.events(strings.TrimPrefix(address, "/cases/")); got != before {
		t.Errorf("%d events after refusals, want %d", got, before)
	}
	if list, _, err := store.Uploads(t.Context(), "", 5); err != nil || len(list) > 0 {
		t.Errorf("uploads stored: %v, %v", list, err)
	}
	if list, _, err := store.Notes(t.Context(), mappingKind, "", 5); err != nil || len(list) > 0 {
		t.Errorf("mappings kept of what was not read: %v, %v", list, err)
	}

	v.last = step
	send(data, v.answered(map[string]string{"c.2": "spo2", "order": "dmy", "none": "777"}), 303)
	b.wants(v.page(address), "Mar 4, 2026 22:00:00", "saturation in", "column 2")
	b.wants(v.page(address+"/trail"), "time=1,spo2=2,pulse=4,quality=none,order=dmy,delimiter=comma,none=777")
}

// A row that is shorter or longer than the table does not shift it.
func TestMappingStepPadsRows(t *testing.T) {
	p := &recording.Proposal{Columns: []recording.ProposedColumn{{Number: 1}, {Number: 2}}, Rows: []recording.ProposedRow{{Line: 2, Cells: []string{"a"}}, {Line: 3, Cells: []string{"a", "b", "c"}}}}
	st := newStep(p, nil)
	if got := fmt.Sprintf("%q %q", st.Rows[0].Cells, st.Rows[1].Cells); got != `["a" ""] ["a" "b"]` {
		t.Errorf("rows %s", got)
	}
	if len(p.Rows[0].Cells) != 1 {
		t.Error("the proposal changed")
	}
	p.Columns = make([]recording.ProposedColumn, columnsShown+1)
	if newStep(p, nil) != nil {
		t.Errorf("a table of %d columns is shown", len(p.Columns))
	}
}

// Columns without a time, in fractions, with the step between rows answered.
func TestMappingStepAsks(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	data := table("SpO2;Puls\n", 900, func(i int) string { return fmt.Sprintf("0,%d;60", 85+i%9) })
	if w := v.upload(address, address+"/recording", data, nil); w.Code != 422 {
		t.Fatalf("status %d", w.Code)
	}
	b.wants(v.last, "Seconds between two rows")
	if w := v.upload(address, address+"/recording", data, v.answered(map[string]string{"interval": "4"})); w.Code != 422 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.last, "No saturation is above 1. What are the numbers?", `name="interval" value="4"`)
	if w := v.upload(address, address+"/recording", data, v.answered(map[string]string{"interval": "4", "unit": "fraction"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "rows are 4000 ms apart, as given", "Saturation is a fraction of 1, as given")
}

// A mapping kept under a name reads the next file of that shape, and no
// other, and is told.
func TestMappingIsKept(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	one := b.ready(v)
	v.upload(one, one+"/recording", twoSats(","), nil)
	if w := v.upload(one, one+"/recording", twoSats(","), v.answered(map[string]string{"c.2": "spo2", "order": "dmy", "keep": "Export of the night desk"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.lacks(v.page(one), "the mapping kept as")

	two := b.ready(v)
	next := []byte(strings.ReplaceAll(string(twoSats(",")), "04/03/2026", "05/03/2026"))
	if w := v.upload(two, two+"/recording", next, nil); w.Code != 303 {
		t.Fatalf("the next file of the shape: status %d: %s", w.Code, text(v.last))
	}
	const told = "its columns were taken as the mapping kept as “Export of the night desk” for files of this shape says"
	b.wants(v.page(two), "Mar 5, 2026 22:00:00", "as the mapping kept as “Export of the night desk” for files of this shape says. If that is wrong", told)
	if w := v.get(two + "/worksheet.json"); w.Code != http.StatusOK {
		t.Fatalf("worksheet as data: status %d", w.Code)
	}
	b.wants(v.last, told)
	b.wants(v.page(two+"/trail"), `"saved":"Export of the night desk"`)

	three := b.ready(v)
	for name, data := range map[string][]byte{"another delimiter": twoSats(";"), "another header": []byte(strings.Replace(string(twoSats(",")), "Pulse", "HR", 1))} {
		if w := v.upload(three, three+"/recording", data, nil); w.Code != 422 {
			t.Errorf("%s: status %d, want 422", name, w.Code)
		}
		b.wants(v.last, `name="mapped"`)
		b.lacks(v.last, "Export of the night desk")
	}
	// It is not used where somebody wants to look first, or it does not fit.
	if w := v.upload(three, three+"/recording", next, map[string]string{"show": "1"}); w.Code != 422 {
		t.Errorf("columns to be shown: status %d, want 422", w.Code)
	}
	b.wants(v.last, "These are the columns of the file, as they would be taken", `name="keep"`)
	if w := v.upload(three, three+"/recording", []byte(strings.ReplaceAll(string(next), "05/03/2026", "03/14/2026")), nil); w.Code != 422 {
		t.Errorf("a kept order of dates that does not fit: status %d, want 422", w.Code)
	}
	b.wants(v.last, "The mapping kept as “Export of the night desk” for files of this shape does not fit this one")
	// Kept anew, it stands in place of the first.
	v.upload(three, three+"/recording", next, map[string]string{"show": "1"})
	if w := v.upload(three, three+"/recording", next, v.answered(map[string]string{"c.3": "spo2", "order": "mdy", "keep": "Second thought"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	if list, _, err := store.Notes(t.Context(), mappingKind, "", 5); err != nil || len(list) != 1 || !strings.Contains(string(list[0].Data), "Second thought") {
		t.Errorf("kept: %v, %v", list, err)
	}
}

// A file without a header has no shape to know it by.
func TestMappingWithoutHeaderIsNotKept(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := b.ready(v)
	data := table("", 600, func(i int) string {
		return fmt.Sprintf("2026-02-10 22:%02d:%02d,%d,%d", i*4/60, i*4%60, 90+i%6, 60+i%4)
	})
	v.upload(address, address+"/recording", data, nil)
	b.wants(v.last, "Without a header nothing tells the next such file from another")
	b.lacks(v.last, `name="keep"`)
	if w := v.upload(address, address+"/recording", data, v.answered(map[string]string{"c.2": "spo2", "c.3": "pulse", "keep": "Any"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	if list, _, err := store.Notes(t.Context(), mappingKind, "", 5); err != nil || len(list) > 0 {
		t.Errorf("kept: %v, %v", list, err)
	}
}

// The tester answers the same step, and what a link's holder answers reads
// this file alone.
func TestTesterMapsColumns(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("none"))
	link := b.links(address)[Tester]
	out := b.guest(link)
	who := map[string]string{"who": "L. Frost, RRT", "sender": "sent_by_tester"}
	if w := out.upload(link, link+"/recording", twoSats(","), who); w.Code != 422 {
		t.Fatalf("status %d: %s", w.Code, text(out.last))
	}
	b.wants(out.last, "Column 2: SpO2", `value="L. Frost, RRT"`, `value="sent_by_tester" checked`)
	b.lacks(out.last, `name="keep"`)
	form := out.answered(map[string]string{"c.2": "spo2", "order": "dmy", "keep": "Smuggled"})
	for k, val := range who {
		form[k] = val
	}
	if w := out.upload(link, link+"/recording", twoSats(","), form); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(out.last))
	}
	if list, _, err := store.Notes(t.Context(), mappingKind, "", 5); err != nil || len(list) > 0 {
		t.Errorf("kept by a link's holder: %v, %v", list, err)
	}
	b.wants(v.page(address), "Mar 4, 2026 22:00:00")
	// A kept mapping serves the tester's files too, and the page says so.
	other := b.ready(v)
	v.upload(other, other+"/recording", twoSats(","), nil)
	v.upload(other, other+"/recording", twoSats(","), v.answered(map[string]string{"c.2": "spo2", "order": "dmy", "keep": "Export of the night desk"}))
	third := v.open(medicare, merrin)
	v.send(third, third+"/custody", custody("none"))
	link = b.links(third)[Tester]
	out.enter(link)
	if w := out.upload(link, link+"/recording", twoSats(","), who); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(out.last))
	}
	b.wants(out.page(link), "as the mapping kept as “Export of the night desk” for files of this shape says")
}

// A file that reads by itself is not held up by the answers to another.
func TestMappingStepOfAnotherFile(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.upload(address, address+"/recording", twoSats(","), nil)
	if w := v.upload(address, address+"/recording", recordings()["night-1.csv"], v.answered(map[string]string{"c.3": "spo2", "order": "mdy", "keep": "Not of this file"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "<svg")
	b.lacks(v.page(address+"/trail"), "spo2=3")
	if list, _, err := store.Notes(t.Context(), mappingKind, "", 5); err != nil || len(list) > 0 {
		t.Errorf("kept: %v, %v", list, err)
	}
}

// A table that is too wide to be shown is refused in the reader's words, or
// read, whatever the form asks for.
func TestMappingOfAWideTable(t *testing.T) {
	if raced {
		return // one goroutine
	}
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	wide := func(sat string) []byte {
		return table("Time,"+sat+strings.Repeat(",x", columnsShown)+"\n", 600, func(i int) string {
			return fmt.Sprintf("2026-02-10 22:%02d:%02d,%d%s", i*4/60, i*4%60, 90+i%6, strings.Repeat(",y", columnsShown))
		})
	}
	key := stepKey(must(recording.Propose(wide("Zuurstof"), recording.Options{})))
	for _, more := range []map[string]string{nil, {"show": "1"}, {"mapped": key, "c.2": "spo2"}} {
		if w := v.upload(address, address+"/recording", wide("Zuurstof"), more); w.Code != 422 {
			t.Errorf("%v: status %d, want 422", more, w.Code)
		}
		b.wants(v.last, "a column of oxygen saturation", `name="columns"`)
	}
	if w := v.upload(address, address+"/recording", wide("SpO2"), map[string]string{"show": "1"}); w.Code != 303 {
		t.Errorf("status %d, want 303: %s", w.Code, text(v.last))
	}
}

// book is a workbook of one sheet after an empty one, cells as inline strings
// (ECMA-376 part 1, 18.3.1.4, and part 2 for the package, from memory).
func book(rows [][]string) []byte {
	var sheet strings.Builder
	for _, r := range rows {
		sheet.WriteString("<row>")
		for _, c := range r {
			fmt.Fprintf(&sheet, `<c t="inlineStr"><is><t>%s</t></is></c>`, c)
		}
		sheet.WriteString("</row>")
	}
	const main, rel = "http://schemas.openxmlformats.org/spreadsheetml/2006/main", "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	const pkg, typ = "http://schemas.openxmlformats.org/package/2006/", "application/vnd.openxmlformats-officedocument.spreadsheetml."
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, f := range [][2]string{
		{"[Content_Types].xml", `<Types xmlns="` + pkg + `content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="` + typ + `sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="` + typ + `worksheet+xml"/><Override PartName="/xl/worksheets/sheet2.xml" ContentType="` + typ + `worksheet+xml"/></Types>`},
		{"_rels/.rels", `<Relationships xmlns="` + pkg + `relationships"><Relationship Id="r1" Type="` + rel + `/officeDocument" Target="xl/workbook.xml"/></Relationships>`},
		{"xl/workbook.xml", `<workbook xmlns="` + main + `" xmlns:r="` + rel + `"><sheets><sheet name="Notes" sheetId="1" r:id="r1"/><sheet name="Night" sheetId="2" r:id="r2"/></sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", `<Relationships xmlns="` + pkg + `relationships"><Relationship Id="r1" Type="` + rel + `/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="` + rel + `/worksheet" Target="worksheets/sheet2.xml"/></Relationships>`},
		{"xl/worksheets/sheet1.xml", `<worksheet xmlns="` + main + `"><sheetData/></worksheet>`},
		{"xl/worksheets/sheet2.xml", `<worksheet xmlns="` + main + `"><sheetData>` + sheet.String() + `</sheetData></worksheet>`},
	} {
		w := must(z.Create(f[0]))
		must(w.Write([]byte(f[1])))
	}
	if err := z.Close(); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// The sheet of a workbook is mapped as delimited text is, and kept so.
func TestMappingOfAWorkbook(t *testing.T) {
	store := &storetest.Memory{}
	b := newBench(t, store, false)
	v := b.at(Intake)
	one, two := b.ready(v), b.ready(v)
	night := func(day int) []byte {
		var rows [][]string
		for _, line := range strings.Split(strings.TrimSpace(strings.ReplaceAll(string(twoSats(",")), "04/03/2026", fmt.Sprintf("%02d/03/2026", day))), "\n") {
			rows = append(rows, strings.Split(line, ","))
		}
		return book(rows)
	}
	if w := v.upload(one, one+"/recording", night(4), nil); w.Code != 422 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.last, "Sheet 2 of a workbook", "Column 3: SaO2", "the first date is 4 March 2026")
	if w := v.upload(one, one+"/recording", night(4), v.answered(map[string]string{"c.2": "spo2", "keep": "Book of the clinic"})); w.Code != 422 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.last, "dates that can be read in one way", `value="Book of the clinic"`, "the first date is 4 March 2026")
	if w := v.upload(one, one+"/recording", night(4), v.answered(map[string]string{"c.2": "spo2", "order": "dmy", "keep": "Book of the clinic"})); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(one), "Mar 4, 2026 22:00:00")
	b.wants(v.page(one+"/trail"), "sheet=2,time=1,spo2=2,pulse=4")
	if w := v.upload(two, two+"/recording", night(5), nil); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(two), "Mar 5, 2026 22:00:00", "Book of the clinic")
}

// TestMappingStepInSpanish: how the file was taken, why each column is what it is,
// the dates to choose from and answers that cannot be used are said by their parts,
// and headers of the file stay as they are.
func TestMappingStepInSpanish(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	v.accept = "es"
	v.upload(address, address+"/recording", twoSats(","), nil)
	b.wants(v.last, "Texto en UTF-8, columnas separadas por coma, encabezado en la línea 1.", "por su encabezado", "también puede tratarse de otra columna",
		"día, mes, año: la primera fecha es 4 de marzo de 2026", "mes, día, año: la primera fecha es 3 de abril de 2026", "Time", "SpO2")
	b.lacks(v.last, "by its header", "the first date is", "columns divided")
	step := v.last
	for want, more := range map[string]map[string]string{
		"Se esperaba una columna de saturación; no se encontró ninguna.": {"order": "dmy"},
		"columnas 2 y 3":                  {"c.2": "spo2", "c.3": "spo2", "order": "dmy"},
		"Se esperaba el paso entre filas": {"c.2": "spo2", "order": "dmy", "interval": "four"},
	} {
		v.last = step
		v.upload(address, address+"/recording", twoSats(","), v.answered(more))
		b.wants(v.last, want, "No se guardó nada.")
		if m := faultInEnglish.FindString(text(v.last)); m != "" {
			t.Errorf("the page says %q", m)
		}
	}
	v.last = step
	if w := v.upload(address, address+"/recording", twoSats(","), v.answered(map[string]string{"c.2": "spo2", "order": "dmy"})); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
}

// A step that an older version sealed, with its words as strings, is still shown.
func TestStoredMappingStepIsRead(t *testing.T) {
	var step mappingStep
	const old = `{"Key":"k","Words":"Text in UTF-8, columns divided by comma, no header.","Dates":"","Orders":[{"Value":"dmy","Words":"day, month, year: the first date is 4 March 2026","On":true}],"Columns":[{"Number":1,"Header":"","Reason":"by its cells","Choices":null}]}`
	if err := json.Unmarshal([]byte(old), &step); err != nil {
		t.Fatal(err)
	}
	if step.Words.String() != "Text in UTF-8, columns divided by comma, no header." || !step.Dates.IsZero() || step.Orders[0].Words.String() != "day, month, year: the first date is 4 March 2026" || !step.Orders[0].On || step.Columns[0].Reason.String() != "by its cells" {
		t.Errorf("read as %+v", step)
	}
}
