package rules

import (
	"reflect"

	"airwarrant/rules/wording"
)

// hint is the mend for a missing key of a struct.
func hint(t reflect.Type, key string) wording.Text {
	return said("add %s: %s", key, described(t.Name()+"."+key))
}

// described is what the key of a struct is for.
func described(key string) wording.Text { return wording.Said(descriptions[key]) }

// typeAt follows a path through the types of pack.go.
func typeAt(t reflect.Type, at *step) reflect.Type {
	if at == nil {
		return t
	}
	t = typeAt(t, at.up)
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return t.Elem() // an entry of a list or a table
	}
	for i := range t.NumField() {
		if key, _ := yamlKey(t.Field(i)); key == at.key {
			return t.Field(i).Type
		}
	}
	return t
}

// descriptions says in a few words what each key of a pack is for. They stand
// in the schema and in the mend of a key that is missing. A key that two
// structs share has one meaning, or stands with the name of its struct.
var descriptions = map[string]string{
	"Region.region":    "name of the folder, such as us-medicare",
	"Region.name":      "name of the region or programme in words",
	"Region.payer":     "who pays and decides",
	"Region.select_by": "fact whose date picks the version: test_date",
	"Region.home":      "web address of the coverage documents",
	"Region.scope":     "one sentence on whom the criteria are for",
	"Region.hidden":    "true keeps an invented payer out of what users are offered",
	"Region.applies":   "which patients come under the criteria, by where they live and who pays; one of them is enough",

	"Applies.places":  "codes of ISO 3166 where the patient lives: two letters of a country, or a subdivision such as US-NC; left out: anywhere",
	"Applies.payer":   "word of the plan that pays, such as medicaid; left out for a guideline, which decides nothing on payment",
	"Applies.program": "name of the plan for people",
	"Applies.text":    "who comes under it, one sentence",
	"Applies.source":  "where that stands",
	"Applies.status":  "how far that can be trusted; what is from memory is offered and never chosen",

	"Pack.effective_from": "first day on which the criteria are in force; equals the name of the file",
	"Pack.known_since":    "day from which this house knew the version; left out if not recorded",
	"Pack.title":          "title of the version in words",
	"Pack.withdrawn":      "true: the payer stopped, no criteria are in force from effective_from",
	"Pack.population":     "who the pack is for; where it is not met the answer is to choose another set, never not met",
	"Pack.otherwise_see":  "which set to choose for a patient outside the population, in words",
	"Pack.defer_to":       "conditions under which another set of criteria decides",
	"Pack.expires":        "last day on which the edition counts as current; a later test is judged with a caution",
	"Pack.expires_cite":   "names of the citations where the day stands",
	"Pack.overrides":      "what waives clauses for a time",
	"Pack.cites":          "the documents, each under a short name that clauses cite",
	"Pack.reading":        "how a test is read before it is compared",
	"Pack.custody":        "what bars the supplier from holding or reading a result",
	"Pack.criteria":       "root of the clauses; it decides the outcome",
	"Pack.qualifies":      "disposition of an outcome of qualifies: covered (default) or refer",
	"Pack.fails":          "disposition of does_not_qualify unless the clause that decides names another: not_covered (default), recommended_against or refer",
	"Pack.on_file":        "papers that must be on file although they change no verdict",
	"Pack.allows":         "what the criteria allow where a clause is met",
	"Pack.follow_up":      "what falls due where a clause is met",
	"Pack.choose":         "how one of several tests of one state decides; without it tests that differ leave the case undetermined",
	"Pack.prompts":        "what to document where a condition is met, whatever the outcome; it moves no threshold",
	"Pack.cautions":       "sentences that every worksheet of this version carries",

	"Citation.document": "title of the document",
	"Citation.section":  "section or paragraph, in quotes where it is a number",
	"Citation.edition":  "edition, revision or year",
	"Citation.address":  "web address, or how to obtain it",
	"Citation.read_on":  "day on which the document was read; left out if it was not",

	"Reading.level":        "how a level of saturation or pressure is read before it is compared: none or half_up (to a whole percent or mmHg)",
	"Reading.accumulation": "what the worksheet says of time: cumulative or longest_run; clauses name the fact that they read",
	"Reading.artifacts":    "bounds (verdict on both bounds), strict (undoubted readings) or as_recorded (every plausible reading)",
	"Reading.denominator":  "denominator of shares of a recording: valid or recorded time",
	"Reading.baseline":     "what a fall is measured from: mean of the recording, or highest",
	"Reading.report_level": "saturation at or below which the minutes of a signed report are counted",
	"Reading.short_below":  "valid time under which a recording of a test asleep is told to be short, such as 120 min; it changes no verdict",

	"Reading.leg_hold": "time for which a value has to hold in a leg of an exertional test, such as 10 s; left out, any reading is one",

	"Choose.order":   "rules, the first before the next: nearest_discharge, most_recent, gas_over_oximetry (a blood gas before oximetry)",
	"Choose.cite":    "names of the citations where it stands",
	"Choose.status":  "how far it can be trusted: verified, verified-secondary or draft, which never acts",
	"Choose.reading": "whose reading of the document it is: stated or ours",
	"Choose.note":    "one sentence for the worksheet",

	"Custody.when":    "condition under which the bar holds; left out, it always holds",
	"Custody.accepts": "values of the fact custody on which the supplier may hold and read the file",
	"Custody.who":     "who may send the file otherwise, in words",
	"Custody.cite":    "names of the citations where it stands",

	"Deferral.id":     "short name of the deferral, once in a pack",
	"Deferral.when":   "condition under which the other set decides",
	"Deferral.region": "folder of the set that decides, or its name in words",
	"Deferral.text":   "the sentence for the worksheet",
	"Deferral.cite":   "names of the citations where it stands",
	"Deferral.status": "how far it can be trusted: verified, verified-secondary or draft",

	"Override.id":     "short name of the override, once in a pack",
	"Override.from":   "first date of tests for which the clauses are waived",
	"Override.until":  "last such date; left out while it has no end",
	"Override.waives": "ids of the clauses that do not apply meanwhile",
	"Override.text":   "the sentence for the worksheet",
	"Override.cite":   "names of the citations where it stands",
	"Override.status": "how far it can be trusted: verified, verified-secondary or draft, which never acts",

	"Node.id":           "short name of the clause, once in a pack",
	"Node.label":        "name of the clause on the worksheet",
	"Node.applies_when": "condition without which the clause does not apply and drops out of its group",
	"Node.since":        "first date of tests to which the clause applies; before it the clause drops out of its group",
	"Node.until":        "last date of tests to which the clause applies; after it the clause drops out of its group",
	"Node.all_of":       "met where every part that applies is met",
	"Node.any_of":       "met where a part that applies is met",
	"Node.none_of":      "met where no part that applies is met",
	"Node.n_of":         "met where at least n parts that apply are met",
	"Node.unsettled":    "what has to be settled, and by whom; the clause is undetermined whatever the facts",
	"Node.ask":          "fact whose better answer settles the clause: who answers it is asked the text of unsettled, instead of a maintainer",
	"Node.fact":         "the fact of the vocabulary that the clause reads",
	"Node.spo2":         "saturation in percent that time is counted at or below, such as 88 %",
	"Node.points":       "fall of saturation that time is counted beyond, such as 5 points",
	"Node.at_or_below":  "upper limit, the limit itself included; a list is one limit in several units",
	"Node.below":        "upper limit, the limit itself left out; a list is one limit in several units",
	"Node.at_least":     "lower limit, the limit itself included; a list is one limit in several units",
	"Node.more_than":    "lower limit, the limit itself left out; a list is one limit in several units",
	"Node.equal_to":     "exactly this number; a list is one limit in several units",
	"Node.is":           "true, false or the word that the fact has to be",
	"Node.one_of":       "words of which the fact has to be one",
	"Node.known":        "true: met where the fact is stated, not met where it is not",
	"Node.rounding":     "reading of the level for this clause alone: none, half_up or either (undetermined where they differ)",
	"Node.if_absent":    "what an absent fact makes of the clause: ask (default) or not_applicable",
	"Node.unless_known": "fact that stands in for this one: while it is stated and this one is absent, the clause does not apply",
	"Node.otherwise":    "outcome of a comparison that fails: not_met (default) or undetermined (the document does not say)",
	"Node.disposition":  "disposition of the case where a failure of this clause decides it",
	"Node.strength":     "strength of the recommendation, for the worksheet: strong or conditional",
	"Node.grade":        "grade of the evidence in the document's words, for the worksheet",
	"Node.cite":         "names of the citations where the clause stands",
	"Node.status":       "how far the figure can be trusted: verified (read in the document), verified-secondary (through another text) or draft (memory)",
	"Node.reading":      "whose reading of the document it is: stated or ours",
	"Node.note":         "one sentence for the worksheet",

	"NOf.n":  "how many parts have to be met",
	"NOf.of": "the parts",

	"Item.id":   "short name of the item, once in a pack",
	"Item.item": "what must be on file, in words",
	"Item.fact": "a fact of type paper",
	"Item.cite": "names of the citations where it stands",

	"Consequence.when":   "id of the clause that has to be met",
	"Consequence.unless": "id of a clause that must not be met",
	"Consequence.kind":   "what it is about: stationary, portable, sleep_only or high_flow (equipment), modifier or order (for information), serves_until, retest or renewal (dates), document, or note (default)",
	"Consequence.if":     "further condition on facts; not met, the sentence is left out, and not known, it is open and asks for them",
	"Consequence.due":    "when it falls due; the dates are computed and printed",
	"Consequence.text":   "the sentence for the worksheet",
	"Consequence.cite":   "names of the citations where it stands",
	"Consequence.status": "how far the sentence can be trusted: verified, verified-secondary or draft",

	"Due.from":        "fact whose date is day 0, such as start_date",
	"Due.at_least":    "first day, counted by the calendar, such as 61 days or 12 months; left out, at once",
	"Due.at_or_below": "last day, itself included, such as 90 days; left out, it has no end",

	"Prompt.if":     "condition under which it is prompted; left out, always",
	"Prompt.text":   "what to document, in words",
	"Prompt.cite":   "names of the citations where it stands",
	"Prompt.status": "how far it can be trusted: verified, verified-secondary or draft",
}
