package rules_test

import (
	"strconv"
	"strings"
	"testing"

	"airwarrant/qualify/criteria"
)

// The boundary cases of the dossier of other regions, each as the case of the
// pack that carries its number. The outcome is the dossier's: "not met" and
// "recommended against" are "does not qualify"; what a figure from memory or
// a figure that nobody has seen decides is undetermined as shipped, and the
// dossier's own answer once the drafts are confirmed.
var regionBoundaries = []struct {
	region, version, number, name string // name: beginning of the name of the case
	outcome                       criteria.Outcome
}{
	{"anz-infant", "2020-06-01", "Z6", "case Z6", qualifies},
	{"anz-infant", "2020-06-01", "Z7", "case Z7", undecided},
	{"anz-tsanz", "2016-01-01", "Z1", "case Z1 (D)", qualifies},
	{"anz-tsanz", "2016-01-01", "Z2", "case Z2", qualifies},
	{"anz-tsanz", "2016-01-01", "Z8", "case Z8", fails},
	{"anz-tsanz", "2016-01-01", "Z1", "case Z1 as", undecided},
	{"anz-tsanz", "2016-01-01", "Z3", "case Z3 (D)", fails},
	{"anz-tsanz", "2016-01-01", "Z3", "case Z3 as", undecided},
	{"anz-tsanz", "2016-01-01", "Z4", "case Z4", qualifies},
	{"anz-tsanz", "2016-01-01", "Z5", "case Z5 (D)", fails},
	{"anz-tsanz", "2016-01-01", "Z5", "case Z5 as", undecided},
	{"anz-tsanz", "2024-07-15", "Z1", "case Z1", qualifies},
	{"anz-tsanz", "2024-07-15", "Z2", "case Z2", qualifies},
	{"anz-tsanz", "2024-07-15", "Z8", "case Z8", fails},
	{"anz-tsanz", "2024-07-15", "Z4", "case Z4", fails},
	{"au-qld-mass", "2021-04-01", "Z9", "case Z9", undecided},
	{"ca-ab-aadl", "2019-11-04", "AB1", "case AB1", undecided},
	{"ca-ab-aadl", "2019-11-04", "AB2", "case AB2", undecided},
	{"ca-ab-aadl", "2019-11-04", "AB3", "case AB3", undecided},
	{"ca-ab-aadl", "2019-11-04", "AB4", "case AB4 (O; draft confirmed)", qualifies},
	{"ca-ab-aadl", "2019-11-04", "AB4", "case AB4 as", undecided},
	{"ca-bc-hop", "2013-04-01", "B1", "case B1", undecided},
	{"ca-bc-hop", "2013-04-01", "B2", "case B2", undecided},
	{"ca-bc-hop", "2013-04-01", "B4", "case B4", undecided},
	{"ca-bc-hop", "2013-04-01", "B3", "case B3", undecided},
	{"ca-nihb", "2023-06-28", "FD3", "case FD3", undecided},
	{"ca-nihb", "2023-06-28", "FD1", "case FD1", undecided},
	{"ca-nihb", "2023-06-28", "FD2", "case FD2", undecided},
	{"ca-nihb", "2024-02-26", "FD1", "case FD1", undecided},
	{"ca-nihb", "2024-02-26", "FD2", "case FD2", undecided},
	{"ca-nihb", "2025-03-21", "FD1", "case FD1", undecided},
	{"ca-nihb", "2025-03-21", "FD2", "case FD2", undecided},
	{"ca-on-hop", "2021-05-01", "ON5", "case ON5", undecided},
	{"ca-on-hop", "2021-05-01", "ON4", "case ON4", undecided},
	{"ca-sk-sail", "2018-01-01", "S1", "case S1", qualifies},
	{"ca-sk-sail", "2018-01-01", "S2", "case S2", fails},
	{"ca-sk-sail", "2018-01-01", "S3", "case S3", qualifies},
	{"ca-sk-sail", "2018-01-01", "S4", "case S4", fails},
	{"ca-sk-sail", "2018-01-01", "S5", "case S5", fails},
	{"ca-sk-sail", "2018-01-01", "S6", "case S6", fails},
	{"ca-sk-sail", "2018-01-01", "S7", "case S7 (D): 35", undecided},
	{"ca-sk-sail", "2018-01-01", "S7", "case S7 (D): the", undecided},
	{"ca-sk-sail", "2018-01-01", "S8", "case S8", fails},
	{"ca-sk-sail", "2018-01-01", "S9", "case S9", qualifies},
	{"ch-migel", "2022-08-01", "H1", "case H1", fails},
	{"ch-migel", "2022-08-01", "H2", "case H2", qualifies},
	{"ch-migel", "2022-08-01", "H3", "case H3", qualifies},
	{"ch-migel", "2022-08-01", "H4", "case H4", fails},
	{"ch-migel", "2022-08-01", "H5", "case H5", undecided},
	{"ch-migel", "2022-08-01", "H6", "case H6", qualifies},
	{"de-dgp", "2020-07-23", "D1", "case D1", qualifies},
	{"de-dgp", "2020-07-23", "D2", "case D2", undecided},
	{"de-dgp", "2020-07-23", "D3", "case D3", fails},
	{"de-dgp", "2020-07-23", "D4", "case D4", qualifies},
	{"de-dgp", "2020-07-23", "D5", "case D5", undecided},
	{"de-dgp", "2020-07-23", "D6", "case D6", qualifies},
	{"es-separ", "2014-01-01", "E1", "case E1", qualifies},
	{"es-separ", "2014-01-01", "E2", "case E2", fails},
	{"es-separ", "2014-01-01", "E3", "case E3", fails},
	{"fr-lppr", "2015-02-27", "F1", "case F1", qualifies},
	{"fr-lppr", "2015-02-27", "F2", "case F2", fails},
	{"fr-lppr", "2015-02-27", "F3", "case F3", qualifies},
	{"fr-lppr", "2015-02-27", "F4", "case F4", fails},
	{"fr-lppr", "2015-02-27", "F5", "case F5", fails},
	{"fr-lppr", "2015-02-27", "F6", "case F6", undecided},
	{"fr-lppr", "2015-02-27", "F7", "case F7", undecided},
	{"fr-lppr", "2015-02-27", "F8", "case F8", undecided},
	{"ie-ltot", "2015-11-13", "I1", "case I1", undecided},
	{"ie-ltot", "2015-11-13", "I2", "case I2", undecided},
	{"ie-ltot", "2015-11-13", "I3", "case I3", undecided},
	{"ie-ltot", "2015-11-13", "I4", "case I4", undecided},
	{"intl-gold", "2016-01-01", "G1", "case G1", qualifies},
	{"intl-gold", "2016-01-01", "G2", "case G2", undecided},
	{"intl-gold", "2016-01-01", "G3", "case G3", fails},
	{"intl-gold", "2016-01-01", "G4", "case G4", fails},
	{"intl-gold", "2016-01-01", "G5", "case G5", qualifies},
	{"intl-gold", "2023-01-01", "G1", "case G1", fails},
	{"intl-gold", "2023-01-01", "G2", "case G2", undecided},
	{"intl-gold", "2023-01-01", "G3", "case G3", fails},
	{"intl-gold", "2023-01-01", "G4", "case G4", fails},
	{"intl-gold", "2023-01-01", "G5", "case G5", fails},
	{"it-aimar", "2014-01-01", "E4", "case E4", qualifies},
	{"it-aimar", "2014-01-01", "E5", "case E5", fails},
	{"uk-bts-adult", "2015-06-01", "U1", "case U1", qualifies},
	{"uk-bts-adult", "2015-06-01", "U2", "case U2", qualifies},
	{"uk-bts-adult", "2015-06-01", "U3", "case U3", fails},
	{"uk-bts-adult", "2015-06-01", "U4", "case U4", fails},
	{"uk-bts-adult", "2015-06-01", "U5", "case U5", fails},
	{"uk-bts-adult", "2015-06-01", "U6", "case U6", qualifies},
	{"uk-bts-adult", "2015-06-01", "U7", "case U7", fails},
	{"uk-bts-adult", "2015-06-01", "U8", "case U8 (O; draft confirmed)", fails},
	{"uk-bts-adult", "2015-06-01", "U8", "case U8 as", undecided},
	{"uk-bts-paed", "2009-08-01", "UC1", "case UC1", fails},
	{"uk-bts-paed", "2009-08-01", "UC2", "case UC2", qualifies},
	{"uk-bts-paed", "2009-08-01", "UC3", "case UC3 (O): 14", qualifies},
	{"uk-bts-paed", "2009-08-01", "UC3", "case UC3 (O): the", fails},
	{"uk-bts-paed", "2009-08-01", "UC4", "case UC4", fails},
	{"uk-bts-paed", "2009-08-01", "UC5", "case UC5", fails},
	{"uk-nice-ng115", "2018-12-01", "U1", "case U1 (O; drafts confirmed)", undecided},
	{"uk-nice-ng115", "2018-12-01", "U1", "case U1 as", undecided},
	{"uk-nice-ng115", "2018-12-01", "U2", "case U2 (O; drafts confirmed)", fails},
	{"uk-nice-ng115", "2018-12-01", "U2", "case U2 as", undecided},
	{"uk-nice-ng115", "2018-12-01", "U3", "case U3", fails},
	{"uk-nice-ng115", "2018-12-01", "U5", "case U5", fails},
	{"uk-nice-ng115", "2018-12-01", "U6", "case U6", undecided},
	{"uk-nice-ng115", "2018-12-01", "U7", "case U7", undecided},
	{"us-ats-adult", "2020-11-15", "A1", "case A1", qualifies},
	{"us-ats-adult", "2020-11-15", "A2", "case A2", fails},
	{"us-ats-adult", "2020-11-15", "A3", "case A3", qualifies},
	{"us-ats-adult", "2020-11-15", "A4", "case A4", fails},
	{"us-ats-adult", "2020-11-15", "A5", "case A5", undecided},
	{"us-ats-adult", "2020-11-15", "A6", "case A6", undecided},
	{"us-ats-adult", "2020-11-15", "A7", "case A7 (O)", qualifies},
	{"us-ats-adult", "2020-11-15", "A7", "case A7 as", undecided},
	{"us-ats-paed", "2019-02-01", "P1", "case P1 (D; ways of measuring below 1 year from memory)", qualifies},
	{"us-ats-paed", "2019-02-01", "P1", "case P1 as", undecided},
	{"us-ats-paed", "2019-02-01", "P2", "case P2", fails},
	{"us-ats-paed", "2019-02-01", "P3", "case P3", qualifies},
	{"us-ats-paed", "2019-02-01", "P4", "case P4", fails},
	{"us-ats-paed", "2019-02-01", "P5", "case P5", fails},
	{"us-ats-paed", "2019-02-01", "P6", "case P6", fails},
	{"us-co-medicaid", "2024-01-01", "X4", "case X4", undecided},
	{"us-in-medicaid", "2022-07-01", "X3", "case X3", undecided},
	{"us-nc-medicaid", "2020-10-01", "N1", "case N1", undecided},
	{"us-nc-medicaid", "2020-10-01", "N2", "case N2", fails},
	{"us-nc-medicaid", "2020-10-01", "N3", "case N3", undecided},
	{"us-nc-medicaid", "2020-10-01", "N4", "case N4 (O): 50", fails},
	{"us-nc-medicaid", "2020-10-01", "N4", "case N4 (O): the", undecided},
	{"us-nc-medicaid", "2020-10-01", "N4", "case N4 (O): of", undecided},
	{"us-oh-medicaid", "2024-01-01", "O1", "case O1", qualifies},
	{"us-oh-medicaid", "2024-01-01", "O2", "case O2", fails},
	{"us-oh-medicaid", "2024-01-01", "O3", "case O3", qualifies},
	{"us-oh-medicaid", "2024-01-01", "O4", "case O4", fails},
	{"us-oh-medicaid", "2024-01-01", "O5", "case O5", undecided},
	{"us-ok-medicaid", "2014-08-01", "K1", "case K1", undecided},
	{"us-ok-medicaid", "2014-08-01", "K2", "case K2", fails},
	{"us-ok-medicaid", "2014-08-01", "K3", "case K3", fails},
	{"us-ok-medicaid", "2014-08-01", "K4", "case K4", fails},
	{"us-ok-medicaid", "2014-08-01", "K5", "case K5", undecided},
	{"us-ok-medicaid", "2014-08-01", "K6", "case K6", undecided},
	{"us-or-medicaid", "2009-01-01", "R2", "case R2 (D): age 20, service", undecided},
	{"us-or-medicaid", "2009-01-01", "R2", "case R2 (D): age 20, 88", qualifies},
	{"us-or-medicaid", "2024-01-01", "R1", "case R1", qualifies},
	{"us-or-medicaid", "2024-01-01", "R3", "case R3", qualifies},
	{"us-or-medicaid", "2024-01-01", "R4", "case R4", fails},
	{"us-tx-medicaid", "2017-03-01", "X1", "case X1", undecided},
	{"us-tx-medicaid", "2017-03-01", "X2", "case X2", undecided},
	{"us-wa-medicaid", "2024-09-15", "W1", "case W1", qualifies},
	{"us-wa-medicaid", "2024-09-15", "W2", "case W2", undecided},
	{"us-wa-medicaid", "2024-09-15", "W3", "case W3", undecided},
	{"us-wa-medicaid", "2024-09-15", "W4", "case W4", undecided},
}

// The numbers of the dossier of other regions that have a case. Of the others
// ON1 to ON3, FD4 and FD5 are about terms of funding that no test decides,
// in programs whose criteria were not seen.
var regionNumbers = map[string]int{"A": 7, "P": 6, "G": 5, "O": 5, "K": 6, "R": 4, "W": 4, "N": 4, "X": 4, "U": 8, "UC": 5, "I": 4,
	"Z": 9, "S": 9, "B": 4, "AB": 4, "D": 6, "H": 6, "F": 8, "E": 5}

func TestEveryBoundaryCaseOfOtherRegions(t *testing.T) {
	lib := embedded(t)
	results := map[string][]criteria.CaseResult{}
	for _, r := range lib.Regions() {
		for _, p := range lib.History(r.Region) {
			results[r.Region+"/"+p.EffectiveFrom.String()] = criteria.RunCases(p, p.Cases, p.CasesFile)
		}
	}
	seen := map[string]bool{}
	for _, b := range regionBoundaries {
		seen[b.number] = true
		var found []criteria.CaseResult
		for _, r := range results[b.region+"/"+b.version] {
			if strings.HasPrefix(r.Name, b.name) {
				found = append(found, r)
			}
		}
		if len(found) != 1 || !strings.HasPrefix(b.name, "case "+b.number) {
			t.Errorf("%s/%s.cases.yaml: expected one case whose name begins with %q, found %d", b.region, b.version, b.name, len(found))
			continue
		}
		r := found[0]
		if !r.Message.IsZero() || r.Determination.Outcome != b.outcome {
			t.Errorf("%s:%d: %s: expected %s, found %s %s", r.File, r.Line, r.Name, b.outcome, r.Determination.Outcome, r.Message)
		}
		if b.outcome != qualifies && len(r.Determination.Allows)+len(r.Determination.FollowUp) > 0 {
			t.Errorf("%s:%d: %s, and %q %q follow", r.File, r.Line, b.outcome, r.Determination.Allows, r.Determination.FollowUp)
		}
	}
	for letters, n := range regionNumbers {
		for i := 1; i <= n; i++ {
			if number := letters + strconv.Itoa(i); !seen[number] {
				t.Errorf("no case of the packs for %s of the dossier of other regions", number)
			}
		}
	}
}
