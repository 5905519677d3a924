package web

import (
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// wordsOf says each word of the vocabulary's lists as a person would.
var wordsOf = map[string]string{
	"rest": "awake, at rest", "asleep": "asleep", "exertion": "on exertion",
	"facility": "a facility or practitioner's office", "home": "the patient's home",
	"practitioner": "the practitioner", "hospital": "a hospital", "laboratory": "a laboratory",
	"idtf": "an independent diagnostic testing facility", "supplier": "a supplier of equipment",
	"none": "none of these", "delivered_unit": "only delivered or collected a sealed unit",
	"took_part":            "took part: instructed, applied the sensor or opened results",
	"sent_by_tester":       "the tester sent it to us",
	"sent_by_practitioner": "the practitioner sent it to us",
	"order_on_file":        "an order or a service of ours for this patient is on file",
	"release_signed":       "the patient signed a release",
	"pressure_measured":    "yes, pulmonary artery pressure was measured", "blood_pool_scan": "yes, gated blood pool scan",
	"echocardiogram": "yes, echocardiogram", "method_not_named": "yes, method not named",
	"copd": "chronic obstructive pulmonary disease", "interstitial_lung_disease": "interstitial lung disease", "other": "another",
	"room_air": "room air", "oxygen": "oxygen",
	"true": "yes", "false": "no", "unknown": "not known",
	"air": "night on room air", "rest_air": "rest, room air", "exertion_air": "exertion, room air", "exertion_oxygen": "exertion, on oxygen",
}

// noneOf says "none" where it stands for something of its own.
var noneOf = map[string]string{
	"supplier_part":          "none",
	"custody":                "none of these",
	"pulmonary_hypertension": "no",
}

// wordFor says word w of fact name for people; a word that has no better
// saying here is said plainly.
func wordFor(name, w string) string {
	if w == "none" {
		if s, ok := noneOf[name]; ok {
			return s
		}
	}
	if s, ok := wordsOf[w]; ok {
		return s
	}
	return rules.PlainWord(w)
}

// custodyWords are short names of what is stated about custody.
var custodyWords = map[string]string{
	"test_date": "Test of", "test_state": "Taken", "test_place": "Where", "test_performed_by": "Performed by",
	"supplier_part": "Part of a supplier", "custody": "We hold it because",
}

// outcomeWords are the word and the mark of each outcome; the mark is never
// alone, and neither is a colour.
func outcomeWords(o string) (word, mark string) {
	switch criteria.Outcome(o) {
	case criteria.Qualifies:
		return "written criteria met", "✓"
	case criteria.DoesNotQualify:
		return "written criteria not met", "✗"
	}
	return "undetermined", "?"
}

// shortOutcomeWord is the word of an outcome under a head that says of what.
func shortOutcomeWord(word string) string {
	switch met, not := outcomeWord(criteria.Qualifies), outcomeWord(criteria.DoesNotQualify); word {
	case met:
		return "met"
	case not:
		return "not met"
	}
	return word
}

func outcomeWord(o criteria.Outcome) string {
	word, _ := outcomeWords(string(o))
	return word
}

// groupTitle heads the questions that one person can answer.
func groupTitle(r rules.Role) string {
	switch r {
	case rules.Intake:
		return "For intake"
	case rules.Office:
		return "For the physician's office"
	case rules.Tester:
		return "For the tester"
	case rules.Patient:
		return "For the patient"
	}
	return "For the rule maintainer"
}
