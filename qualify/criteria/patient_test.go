package criteria

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/rules"
)

func regionsOf(list []Candidate, says Standing) []string {
	out := []string{}
	for _, c := range list {
		if c.Says == says {
			out = append(out, c.Region)
		}
	}
	return out
}

// Codes are those of ISO 3166-1 and ISO 3166-2 (US-NC North Carolina, US-OR Oregon,
// CA-ON Ontario, CA-MB Manitoba, AU-QLD Queensland, GB-ENG England, GB-SCT
// Scotland). That Medicaid is each state's own program and Medicare the same in
// all states: 42 U.S.C. 1396a and 1395c, from memory. That Oregon follows Medicare's
// decision for adults in both: OAR 410-122-0203, as the pack cites it.
func TestForPatient(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	on, adult, child := rules.Date{Year: 2026, Month: 6, Day: 1}, rules.Date{Year: 1950, Month: 1, Day: 1}, rules.Date{Year: 2020, Month: 1, Day: 1}
	for name, tt := range map[string]struct {
		p              Patient
		region, reason string
		applies, ask   []string
		guidelines     []string // that apply
		because        string
	}{
		"Medicare in North Carolina": {Patient{Country: "US", Subdivision: "US-NC", Payers: []string{"medicare"}, Birth: adult}, "us-medicare", "one", []string{"us-medicare"}, []string{}, []string{}, "enrolled in Original Medicare"},
		"Medicaid there":             {Patient{Subdivision: "US-NC", Payers: []string{"medicaid"}, Birth: adult}, "us-nc-medicaid", "one", []string{"us-nc-medicaid"}, []string{}, []string{}, "covered by North Carolina Medicaid"},
		"Medicaid, the state not stated": {Patient{Country: "US", Payers: []string{"medicaid"}, Birth: adult}, "", "open", []string{}, []string{"subdivision"}, []string{},
			"If this holds"},
		"Medicaid of a state that is not held": {Patient{Subdivision: "US-NY", Payers: []string{"medicaid"}, Birth: adult}, "", "none", []string{}, []string{}, []string{}, "and the patient lives in New York"},
		"both in Oregon":                       {Patient{Subdivision: "US-OR", Payers: []string{"medicare", "medicaid"}, Birth: adult}, "", "several", []string{"us-medicare", "us-or-medicaid"}, []string{}, []string{}, "Oregon Health Plan"},
		"Ontario, plan not stated":             {Patient{Subdivision: "CA-ON", Birth: adult}, "", "open", []string{}, []string{"payer"}, []string{}, "If this holds"},
		"Ontario, a First Nations client":      {Patient{Subdivision: "CA-ON", Payers: []string{"nihb"}, Birth: adult}, "ca-nihb", "one", []string{"ca-nihb"}, []string{}, []string{}, "in any province or territory"},
		"Manitoba, from memory":                {Patient{Subdivision: "CA-MB", Payers: []string{"provincial"}, Birth: adult}, "", "open", []string{}, []string{}, []string{}, "stands from memory alone"},
		"another plan":                         {Patient{Subdivision: "US-NC", Payers: []string{OtherPayer}, Birth: adult}, "", "none", []string{}, []string{}, []string{}, "not stated as the patient's"},
		"Queensland":                           {Patient{Subdivision: "AU-QLD", Payers: []string{"state_subsidy"}, Birth: adult}, "au-qld-mass", "one", []string{"au-qld-mass"}, []string{}, []string{"anz-tsanz"}, "for a subsidy"},
		"Scotland": {Patient{Subdivision: "GB-SCT", Payers: []string{OtherPayer}, Birth: adult}, "", "none", []string{}, []string{}, []string{"uk-bts-adult"},
			"They are for England, and the patient lives in Scotland."},
		"a child in Scotland":             {Patient{Subdivision: "GB-SCT", Payers: []string{OtherPayer}, Birth: child}, "", "none", []string{}, []string{}, []string{"uk-bts-paed"}, "and it does not: completed years"},
		"an adult in France":              {Patient{Country: "FR", Payers: []string{"statutory_insurance"}, Birth: adult}, "fr-lppr", "one", []string{"fr-lppr"}, []string{}, []string{}, "of whom this holds, and it does"},
		"a child in France":               {Patient{Country: "FR", Payers: []string{"statutory_insurance"}, Birth: child}, "", "none", []string{}, []string{}, []string{}, "for whom a specialist prescribes"},
		"France, age not known":           {Patient{Country: "FR", Payers: []string{"statutory_insurance"}}, "", "open", []string{}, []string{"birth_date"}, []string{}, "not known yet: completed years"},
		"a country that no criteria name": {Patient{Country: Elsewhere, Payers: []string{"medicare"}, Birth: adult}, "", "none", []string{}, []string{}, []string{}, "lives in another country"},
		"nothing stated":                  {Patient{}, "", "open", []string{}, []string{"country", "payer"}, []string{}, "If this holds"},
	} {
		t.Run(name, func(t *testing.T) {
			tt.p.On = on
			c, err := ForPatient(lib, tt.p)
			if err != nil {
				t.Fatal(err)
			}
			if c.Region != tt.region || c.Reason != tt.reason || ReasonWords[c.Reason] == "" {
				t.Errorf("chose %q because %q, want %q because %q", c.Region, c.Reason, tt.region, tt.reason)
			}
			if got := regionsOf(c.Sets, Applies); !slices.Equal(got, tt.applies) {
				t.Errorf("sets that apply: %v, want %v", got, tt.applies)
			}
			if got := regionsOf(c.Guidelines, Applies); !slices.Equal(got, tt.guidelines) {
				t.Errorf("guidelines that apply: %v, want %v", got, tt.guidelines)
			}
			if len(c.Ask) < len(tt.ask) || !slices.Equal(c.Ask[:len(tt.ask)], tt.ask) || len(tt.ask) == 0 && len(c.Ask) > 0 {
				t.Errorf("asks %v, want %v first", c.Ask, tt.ask)
			}
			all := ""
			for _, k := range append(c.Sets, c.Guidelines...) {
				if len(k.Because) == 0 || k.Source == "" || k.Ask == nil {
					t.Errorf("%s: no reason, source or list: %+v", k.Region, k)
				}
				all += strings.Join(k.Because, " ") + " "
			}
			if !strings.Contains(all, tt.because) {
				t.Errorf("no reason %q in %s", tt.because, all)
			}
			if several := tt.reason == "several"; several != (len(c.Between) > 0) {
				t.Errorf("between them: %v", c.Between)
			}
		})
	}
}

// What can't be is refused at its field; the codes that are not assigned: ISO
// 3166-2 has no US-XX, ISO 3166-1 keeps XX for users.
func TestForPatientRefuses(t *testing.T) {
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	on := rules.Date{Year: 2026, Month: 6, Day: 1}
	for _, tt := range []struct {
		p     Patient
		field string
	}{
		{Patient{Country: "XX", On: on}, "country"}, {Patient{Country: "us", On: on}, "country"}, {Patient{Country: "US-NC", On: on}, "country"},
		{Patient{Country: "US", Subdivision: "US-XX", On: on}, "subdivision"}, {Patient{Subdivision: "US", On: on}, "subdivision"},
		{Patient{Country: "CA", Subdivision: "US-NC", On: on}, "subdivision"}, {Patient{Payers: []string{"example"}, On: on}, "payer"},
		{Patient{Birth: on.AddDays(1), On: on}, "birth"},
	} {
		_, err := ForPatient(lib, tt.p)
		var pe *PatientError
		if !errors.As(err, &pe) || pe.Field != tt.field {
			t.Errorf("%+v: %v, want a fault of %s", tt.p, err, tt.field)
		}
	}
}

// A region that does not say who comes under it, and one without a version in
// force, are never chosen.
func TestForPatientNeverGuesses(t *testing.T) {
	fsys := fstest.MapFS{}
	for i, applies := range []string{"", "applies: [{places: [US], payer: own, program: Own, text: Theirs., source: own, status: verified}]\n"} {
		folder := fmt.Sprintf("xx-own%d/", i)
		fsys[folder+"region.yaml"] = &fstest.MapFile{Data: []byte("region: " + strings.TrimSuffix(folder, "/") + "\nname: Own\npayer: Own office\nselect_by: test_date\nscope: Invented.\n" + applies)}
		fsys[folder+"2030-01-01.yaml"] = &fstest.MapFile{Data: []byte("effective_from: 2030-01-01\ntitle: Own\ncites: {n: {document: Own}}\ncriteria: {id: a, label: A, fact: rest_spo2, at_or_below: 88 %, cite: [n], status: verified}\n")}
		fsys[folder+"2030-01-01.cases.yaml"] = &fstest.MapFile{Data: []byte("cases: []\n")}
	}
	lib, err := rules.Load(fsys)
	if err != nil {
		t.Fatal(err)
	}
	c, err := ForPatient(lib, Patient{Country: "US", Payers: []string{"own"}, On: rules.Date{Year: 2029, Month: 12, Day: 31}})
	if err != nil || c.Region != "" || c.Reason != ReasonNone {
		t.Errorf("before its first day: %+v, %v", c, err)
	}
	c, err = ForPatient(lib, Patient{Country: "US", Payers: []string{"own"}, On: rules.Date{Year: 2030, Month: 1, Day: 1}})
	if err != nil || c.Region != "" || c.Reason != ReasonOpen || len(regionsOf(c.Sets, MayApply)) != 1 {
		t.Errorf("beside a region that says nothing: %+v, %v", c, err)
	}
}
