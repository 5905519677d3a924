package web

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

const demoSupplier = "Lantern Home Medical, Harrow Vale (invented)"

// demoCase is one case of the demonstration. Facts are in the words of a
// facts file; those in Located stand in the office's chart.
type demoCase struct {
	Shows     string
	Region    string
	Patient   patient
	Facts     map[string]string
	Located   map[string]string
	Recording string // name of a demo recording, "" for none
	Outcome   criteria.Outcome
}

// homeNight are the facts of a night at home through a testing facility.
func homeNight(date, ordered string) map[string]string {
	return map[string]string{
		"test_date": date, "test_state": "asleep", "test_place": "home", "test_performed_by": "idtf", "supplier_part": "delivered_unit",
		"custody": "order_on_file", "test_oxygen": "room_air", "order_date": ordered, "inpatient": "false",
	}
}

// chart are the statements that most charts hold, with more.
func chart(more map[string]string) map[string]string {
	out := map[string]string{
		"ordered_by_treating_practitioner": "true", "evaluated_by_treating_practitioner": "true", "expected_benefit": "true",
		"sleep_apnea": "false", "symptoms": "false",
	}
	for k, v := range more {
		if v == "" {
			delete(out, k)
			continue
		}
		out[k] = v
	}
	return out
}

const medicare = "us-medicare"

// demoCases is the scenario: patients of the invented town of Harrow Vale.
func demoCases() []demoCase {
	born := func(y, m, d int) rules.Date { return rules.Date{Year: y, Month: m, Day: d} }
	exertion := map[string]string{
		"test_date": "2026-03-25", "test_state": "exertion", "test_place": "facility", "test_performed_by": "hospital", "supplier_part": "none",
		"custody": "sent_by_practitioner", "rest_spo2": "93 %", "exertion_spo2_air": "85 %", "exertion_spo2_oxygen": "92 %",
		"same_sitting": "true", "exertion_in_person": "true", "test_oxygen": "room_air", "inpatient": "false",
	}
	walked := map[string]string{
		"test_date": "2026-04-14", "test_state": "exertion", "test_place": "facility", "test_performed_by": "hospital", "supplier_part": "none",
		"custody": "sent_by_practitioner", "exertion_in_person": "true", "inpatient": "false",
	}
	ward := map[string]string{
		"test_date": "2026-04-20", "test_state": "rest", "test_place": "facility", "test_performed_by": "hospital", "supplier_part": "none",
		"custody": "sent_by_practitioner", "test_oxygen": "room_air", "inpatient": "true", "discharge_date": "2026-04-21", "order_date": "2026-04-20",
		"start_date": "2026-04-21",
	}
	fax := homeNight("2026-03-29", "2026-03-20")
	fax["reported_minutes"] = "7.2 min"
	barred := homeNight("2026-04-02", "2026-03-30")
	barred["custody"] = "none"
	return []demoCase{
		{"criteria met, firm", medicare, patient{"Ada Merrin", born(1951, 5, 4), "HV-20417"}, homeNight("2026-02-10", "2026-02-02"), chart(map[string]string{"awake_spo2": "92 %"}), "night-1.csv", criteria.Qualifies},
		{"criteria not met", medicare, patient{"Tobin Ashgrove", born(1948, 11, 20), "HV-20433"}, homeNight("2026-02-17", "2026-02-11"), chart(map[string]string{"awake_spo2": "95 %"}), "night-2.csv", criteria.DoesNotQualify},
		{"doubtful spans decide", medicare, patient{"Wilhelmina Orchard", born(1946, 2, 27), "HV-20448"}, homeNight("2026-03-03", "2026-02-24"), chart(map[string]string{"awake_spo2": "93 %", "dependent_edema": "false", "pulmonary_hypertension": "none", "hematocrit": "44 %", "p_wave_height": "2 mm"}), "night-3.csv", criteria.Undetermined},
		{"the awake reading is missing", medicare, patient{"Cassius Penhallow", born(1955, 1, 31), "HV-20460"}, homeNight("2026-03-11", "2026-03-02"), chart(nil), "night-4.edf", criteria.Undetermined},
		{"noisy night, the same either way", medicare, patient{"Ines Lockhart", born(1943, 8, 9), "HV-20471"}, homeNight("2026-03-18", "2026-03-09"), chart(map[string]string{"awake_spo2": "91 %"}), "night-5.csv", criteria.Qualifies},
		{"a test on exertion, legs typed", medicare, patient{"Jun Aldermoor", born(1950, 12, 12), "HV-20480"}, exertion, chart(map[string]string{"sleep_apnea": ""}), "", criteria.Qualifies},
		{"a faxed report, no recording", medicare, patient{"Perpetua Sloane", born(1939, 6, 3), "HV-20489"}, fax, chart(map[string]string{"awake_spo2": "92 %"}), "", criteria.Qualifies},
		{"no footing: the file may not be read", medicare, patient{"Rafe Underhill", born(1958, 9, 18), "HV-20495"}, barred, chart(map[string]string{"awake_spo2": "93 %"}), "", criteria.Undetermined},
		{"the name in the file differs", medicare, patient{"Odalys Fenn", born(1960, 7, 15), "HV-20502"}, homeNight("2026-04-07", "2026-03-31"), chart(map[string]string{"awake_spo2": "92 %"}), "night-6.csv", criteria.Undetermined},
		{"two nights in one download, another country", "anz-tsanz", patient{"Marama Tidewell", born(1953, 3, 22), ""}, homeNight("2026-05-05", "2026-04-28"), map[string]string{"chronic_stable_state": "true", "smoking_stopped_month": "true"}, "nights-7.csv", criteria.Undetermined},
		{"a walk in three legs, marked on one recording", medicare, patient{"Wystan Briar", born(1946, 10, 27), "HV-20511"}, walked, chart(map[string]string{"sleep_apnea": ""}), "walk-8.csv", criteria.Qualifies},
		{"a reading on the ward before discharge: it serves two days, and a repeat falls due", medicare, patient{"Isolde Farrow", born(1944, 4, 2), "HV-20527"}, ward, chart(map[string]string{"rest_spo2": "89 %", "hematocrit": "57 %"}), "", criteria.Qualifies},
	}
}

// buildDemo fills an empty store with the cases of the demonstration; a store
// that holds any case is left as it is.
func (s *Site) buildDemo() error {
	ctx := context.Background()
	heads, _, err := s.cfg.Store.Heads(ctx, "", 1)
	if err != nil || len(heads) > 0 {
		return err
	}
	recordings := map[string][]byte{}
	for _, r := range DemoRecordings() {
		recordings[r.Name] = r.Data
	}
	cases := demoCases()
	slices.Reverse(cases) // the list shows the newest first
	for _, d := range cases {
		if err := s.buildDemoCase(ctx, d, recordings[d.Recording]); err != nil {
			return fmt.Errorf("case %q: %w", d.Shows, err)
		}
	}
	return nil
}

func (s *Site) buildDemoCase(ctx context.Context, d demoCase, recording []byte) error {
	intake := s.stamp("demo intake", casework.RoleIntake)
	c, err := s.newFile(ctx, intake, chosenBy{Region: d.Region}, d.Patient, s.cfg.Random)
	if err != nil {
		return err
	}
	state := func(facts map[string]string, place placeText) error {
		ch := casework.FactsStated{Facts: map[string]casework.Stated{}}
		for name, text := range facts {
			st := statement{Name: name, State: criteria.Stated, Text: text, Place: place}
			if !place.empty() {
				st.State = criteria.Located
			}
			if _, err := st.fact(); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			if ch.Facts[name], err = s.seal(ctx, c, st); err != nil {
				return err
			}
		}
		return c.Append(ctx, s.cfg.Store, intake, ch)
	}
	if err := state(d.Facts, placeText{}); err != nil {
		return err
	}
	seen, err := rules.ParseDate(d.Facts["test_date"])
	if err != nil {
		return err
	}
	if err := state(d.Located, placeText{Document: "visit note", Date: seen.AddDays(3).String(), Page: "2", By: "R. Quill, RN"}); err != nil {
		return err
	}
	if d.Facts["reported_minutes"] != "" {
		if err := s.layDemoFax(ctx, c, intake); err != nil {
			return err
		}
	}
	f, err := s.unseal(ctx, c)
	if err != nil {
		return err
	}
	if d.Recording != "" {
		r, err := s.keep(ctx, f, &received{name: d.Recording, data: recording}, intake, nil)
		if err != nil || r.say != "" {
			return errors.Join(err, errors.New(d.Recording+": "+r.say))
		}
	}
	if marks := demoMarks[d.Recording]; marks != nil {
		if f, err = s.open(ctx, c.Number); err != nil {
			return err
		}
		text := ""
		for _, m := range marks {
			m.SHA256 = f.upload().SHA256
			text += stretchYAML(m)
		}
		c = f.Case
		if err := state(map[string]string{"recordings": text}, placeText{}); err != nil {
			return err
		}
	}
	return s.settle(ctx, c.Number)
}

// demoLink makes a link to a case of the demonstration that has something for
// the desk to do.
func (s *Site) demoLink(ctx context.Context, d Desk) (*freshLink, error) {
	other := ""
	for h, err := range casework.All(ctx, s.cfg.Store.Heads) {
		if err != nil {
			return nil, err
		}
		if !h.ClosedAt.IsZero() {
			continue // no link opens it
		}
		f, err := s.open(ctx, h.Case)
		if err != nil {
			return nil, err
		}
		ev, err := s.evaluate(ctx, f)
		if err != nil {
			return nil, err
		}
		fits := false
		if d == Office {
			fits = ev.Result != nil && !ev.differs && f.upload() != nil && slices.ContainsFunc(ev.Determinations[0].Needs, func(n criteria.Need) bool { return n.Fact == "awake_spo2" })
		} else {
			pack, err := s.barredBy(f)
			if err != nil {
				return nil, err
			}
			fits = pack != nil && f.upload() == nil
		}
		if fits {
			return s.newLink(ctx, f.Number, s.stamp("demo intake", casework.RoleIntake), d)
		}
		if other == "" && ev.Result != nil && !ev.differs {
			other = f.Number
		}
	}
	if other == "" {
		return nil, errNoPage
	}
	// Visitors have answered the case that was meant: the desk is taken all the same.
	return s.newLink(ctx, other, s.stamp("demo intake", casework.RoleIntake), d)
}
