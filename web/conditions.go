package web

import (
	"fmt"
	"slices"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Conditions of testing, and whatever else the criteria read, that are known
// without being asked. The questions above ask only what can decide; here
// stands all the rest, closed until somebody opens it.

// conditionGroup is one group of the vocabulary in the order of the page.
type conditionGroup struct {
	title string
	note  string
	facts []string
}

// conditionGroups holds no fact of the custody part, which stands before.
// What the criteria read and no group names comes last.
var conditionGroups = []conditionGroup{
	{"Who ordered, supervised, interpreted and paid", "", []string{"ordered_by_treating_practitioner", "order_date", "evaluated_by_treating_practitioner", "test_interpreted_by",
		"exertion_in_person", "exertion_supervised_by", "test_paid_by_supplier", "expected_benefit", "practitioner_prescribes", "specialist_prescribes"}},
	{"Sealed unit, place and stay", "", []string{"sealed_unit", "inpatient", "discharge_date", "test_nearest_discharge"}},
	{"Air, oxygen and pressure therapy", "", []string{"test_oxygen", "oxygen_flow", "exertion_oxygen_flow", "exertion_device", "pap_during_test", "titration_study", "titration_time",
		"optimal_pap", "titration_minutes", "ahi_initial", "ahi_titrated", "noninvasive_ventilation", "apnea_treated", "recording_states"}},
	{"Stability and exacerbation", "", []string{"chronic_stable_state", "last_exacerbation_date", "last_treatment_change_date", "optimal_treatment", "alternatives_tried",
		"flow_stable_week", "recent_apnea", "steroids_stopped_week", "caffeine_stopped_week", "feeding_by_mouth"}},
	{"Findings, with the kind of evidence", "", []string{"diagnosis", "dependent_edema", "pulmonary_hypertension", "mean_pulmonary_pressure", "p_wave_height", "p_pulmonale", "hematocrit", "hemoglobin",
		"polycythemia", "cor_pulmonale_signs", "raised_jugular_pressure", "cyanosis", "congenital_heart_disease", "fev1", "hypercapnic_failure", "cognitive_deficit", "organ_damage"}},
	{"Symptoms, sleep apnea and smoking", "", []string{"symptoms", "dyspnea_on_exertion", "chronic_hypoxemia", "hypoxemia_documented", "lung_disease_or_symptoms", "sleep_apnea",
		"disordered_breathing_asleep", "definitive_treatment_ruled_out", "central_apnea_desaturation", "nocturnal_desaturation", "smoking_stopped_month", "current_smoker"}},
	{"Request, order and flows", "", []string{"request", "prior_group", "new_order", "start_date", "certificate_date", "prescribed_flow", "prescribed_flow_night", "prescribed_flow_exertion",
		"portable_prescribed", "mobile_in_home", "mobile_outside_home", "conserving_device", "high_flow_spo2", "high_flow_pao2"}},
	{"What may bear on a reading of oximetry", "It is stated so that it stands on file, and moves no threshold.", promptFacts},
	{"Further figures and statements", "", nil},
}

// promptFacts prompt for documentation under every payer. The age follows
// from the birth date.
var promptFacts = []string{"altitude", "skin_pigmentation_noted", "carrying_capacity_reduced"}

// notConditions have a place of their own on the pages.
var notConditions = append([]string{"birth_date", "session_choice", "reported_minutes"}, custodyFacts...)

// conditionPart is what the page of a case shows of a group.
type conditionPart struct {
	Title, Note string
	Count       string
	Open        bool // a field could not be accepted
	Said        []statedLine
	Asked       []string // asked above
	Fields      []field
}

// factsRead lists what the criteria of a case, their consequences and their
// prompts read, down to what people can state.
func (s *Site) factsRead(f *file) (map[string]bool, error) {
	read := map[string]bool{}
	var need func(name string)
	need = func(name string) {
		if def, ok := rules.Lookup(name); ok && !read[name] {
			read[name] = true
			for _, from := range def.From {
				need(from)
			}
		}
	}
	for _, region := range f.Criteria {
		p, err := s.packOf(region, f.Facts["test_date"].Value.Date)
		if err != nil {
			return nil, err
		}
		p.Walk(func(n *rules.Node, _ bool) {
			need(n.Fact)
			need(n.UnlessKnown)
			need(n.Ask)
		})
		for _, c := range slices.Concat(p.Allows, p.FollowUp) {
			if c.Due != nil {
				need(c.Due.From)
			}
		}
	}
	for _, name := range promptFacts {
		need(name)
	}
	return read, nil
}

// conditions are the groups of what the criteria of a case read. Each fact
// stands once on the page: asked, stated, or here; known are those that the
// recording tells.
func (s *Site) conditions(f *file, p posted, days rules.Language, known map[string]criteria.Fact, asked []group) ([]conditionPart, error) {
	read, err := s.factsRead(f)
	if err != nil {
		return nil, err
	}
	open := map[string]bool{}
	for _, g := range asked {
		for _, fl := range g.Fields {
			open[fl.Name] = true
		}
	}
	var out []conditionPart
	for _, g := range conditionGroups {
		part := conditionPart{Title: g.title, Note: g.note}
		names := g.facts
		if names == nil {
			names = ungrouped()
		}
		for _, name := range names {
			def, ok := rules.Lookup(name)
			if !ok || !read[name] || !statedOnPages(def) {
				continue
			}
			if st, ok := f.Statements[name]; ok {
				l := statedLine{Meaning: def.Meaning, Value: st.words(def, days), How: st.how(days)}
				l.Who, l.At = f.statedBy(name)
				part.Said = append(part.Said, l)
				continue
			}
			if _, ok := known[name]; ok {
				continue
			}
			if open[name] {
				part.Asked = append(part.Asked, def.Meaning)
				continue
			}
			fl := f.prefilled(def, p, "conditions")
			fl.ID, fl.Where, fl.Why = "c-"+name, def.Who == rules.Office, "Can be answered by "+answererWords[def.Who]+"."
			part.Open = part.Open || fl.Error != ""
			part.Fields = append(part.Fields, fl)
		}
		all := len(part.Said) + len(part.Asked) + len(part.Fields)
		if all == 0 {
			continue
		}
		part.Count = fmt.Sprintf("%d of %d stated", len(part.Said), all)
		out = append(out, part)
	}
	return out, nil
}

var answererWords = map[rules.Role]string{rules.Intake: "intake", rules.Office: "the office, from the chart", rules.Tester: "the tester", rules.Patient: "the patient"}

// statedOnPages reports whether a fact is stated in a field of its own.
func statedOnPages(def rules.FactDef) bool {
	return def.Settles != "computed" && def.Question != "" && def.Type != rules.TypePaper && def.Type != rules.TypeList && !slices.Contains(notConditions, def.Name)
}

// ungrouped are the facts that people state and no group names.
func ungrouped() []string {
	var out []string
	for _, def := range rules.Vocabulary() {
		if statedOnPages(def) && !slices.ContainsFunc(conditionGroups, func(g conditionGroup) bool { return slices.Contains(g.facts, def.Name) }) {
			out = append(out, def.Name)
		}
	}
	return out
}

// asked are the groups of fields that the page asks before the conditions.
func (b *caseBody) asked() []group {
	return append(slices.Clone(b.Groups), group{Fields: b.Following.Fields}, group{Fields: b.Following.Prompts})
}
