package rules

// Type is the type of a fact's value.
type Type string

// The types of the vocabulary.
const (
	TypeBool     Type = "boolean"  // true or false
	TypeDate     Type = "date"     // YYYY-MM-DD
	TypeNumber   Type = "number"   // exact decimal in Unit
	TypeWord     Type = "word"     // one of Words
	TypeOxygen   Type = "oxygen"   // room_air, or {flow, L/min}
	TypePaper    Type = "paper"    // true/false, or where a document stands in the chart
	TypeDuration Type = "duration" // a measured time
	TypeList     Type = "list"     // recordings with their roles
)

// Role says who can answer a question.
type Role string

// The people of the contract's needs[].who.
const (
	Intake     Role = "intake"
	Office     Role = "office"
	Tester     Role = "tester"
	Maintainer Role = "maintainer"
	Patient    Role = "patient"
)

// FactDef is one row of the vocabulary: everything the program knows about a
// fact, in one place.
type FactDef struct {
	Name     string
	Type     Type
	Unit     string   // unit of a plain number; "" if it has none
	Units    []string // further units a value may be stated in
	Words    []string // of TypeWord
	Meaning  string   // one sentence
	Question string   // neutral question that asks for it; "" for facts that are computed
	Who      Role     // who can answer
	// Settles is the weakest provenance that settles the fact: stated (typed
	// by intake from a paper), located (the office says where it stands in
	// the chart) or computed.
	Settles string
	// Param is spo2 or points for measures that take one.
	Param string
	// From lists the facts (or "recording") that a computed fact is computed
	// from; questions about it are questions about these.
	From []string
	// Level reports whether Reading.Level rounding applies to its value.
	Level bool
}

// Vocabulary returns the closed list of facts, in the order in which they
// are asked.
func Vocabulary() []FactDef { return vocabulary }

// Lookup finds a fact by name.
func Lookup(name string) (FactDef, bool) {
	for _, d := range vocabulary {
		if d.Name == name {
			return d, true
		}
	}
	return FactDef{}, false
}

var custodyWords = []string{"sent_by_tester", "sent_by_practitioner", "order_on_file", "release_signed", "none"}

var diagnosisWords = []string{"copd", "interstitial_lung_disease", "cystic_fibrosis", "bronchopulmonary_dysplasia", "heart_failure",
	"pulmonary_hypertension", "sleep_disordered_breathing", "sickle_cell_disease", "other"}

var vocabulary = []FactDef{
	{Name: "custody", Type: TypeWord, Words: custodyWords, Who: Intake, Settles: "stated",
		Meaning:  "the footing on which the supplier holds the file or its figures",
		Question: "On what footing do we hold this test: did the tester or the practitioner send it, is an order or service on file, did the patient sign a release?"},
	{Name: "test_date", Type: TypeDate, Who: Intake, Settles: "stated",
		Meaning:  "the calendar day on which the test was taken; a night belongs to the day on which it began",
		Question: "On which date was the test taken (for a night, the date on which it began)?"},
	{Name: "test_state", Type: TypeWord, Words: []string{"rest", "asleep", "exertion"}, Who: Intake, Settles: "stated",
		Meaning:  "the state in which the qualifying test was taken",
		Question: "Was the test taken at rest, asleep or on exertion?"},
	{Name: "test_oxygen", Type: TypeOxygen, Unit: "L/min", Who: Tester, Settles: "stated",
		Meaning:  "what the patient breathed during the test: room air, or oxygen at a flow",
		Question: "Did the patient breathe room air during the test, or oxygen, and at which flow?"},
	{Name: "test_place", Type: TypeWord, Words: []string{"facility", "home"}, Who: Intake, Settles: "stated",
		Meaning:  "where the test was taken: a facility or practitioner's office, or the patient's home",
		Question: "Was the test taken in a facility (or practitioner's office) or at the patient's home?"},
	{Name: "test_performed_by", Type: TypeWord, Words: []string{"practitioner", "hospital", "laboratory", "idtf", "supplier"}, Who: Intake, Settles: "stated",
		Meaning:  "who performed the test; idtf is an independent diagnostic testing facility",
		Question: "Who performed the test: the practitioner, a hospital, a laboratory, an independent diagnostic testing facility or a supplier?"},
	{Name: "supplier_part", Type: TypeWord, Words: []string{"none", "delivered_unit", "took_part"}, Who: Intake, Settles: "stated",
		Meaning:  "what part a supplier of equipment had in the test",
		Question: "What part did a supplier have in the test: none, only delivered or collected a sealed unit, or took part (instructed, applied the sensor, opened results)?"},
	{Name: "ordered_by_treating_practitioner", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the treating practitioner ordered the test",
		Question: "Does the chart hold the treating practitioner's order for this test?"},
	{Name: "order_date", Type: TypeDate, Who: Office, Settles: "located",
		Meaning:  "the date of the treating practitioner's order for the test",
		Question: "What date does the order for this test carry?"},
	{Name: "evaluated_by_treating_practitioner", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the treating practitioner evaluated the result",
		Question: "Does the chart show that the treating practitioner evaluated the result of this test?"},
	{Name: "expected_benefit", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the treating practitioner states that oxygen at home will improve the patient's condition",
		Question: "What does the chart say on whether oxygen at home will improve the patient's condition: does the practitioner state that it will?"},
	{Name: "inpatient", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the patient was an inpatient of a hospital when tested",
		Question: "Was the patient an inpatient of a hospital on the date of the test?"},
	{Name: "discharge_date", Type: TypeDate, Who: Office, Settles: "located",
		Meaning:  "the date of discharge from that stay",
		Question: "On which date was the patient discharged from that stay?"},
	{Name: "reported_minutes", Type: TypeNumber, Unit: "min", Units: []string{"s", "h"}, Who: Tester, Settles: "stated",
		Meaning:  "minutes at or below the payer's level as printed on the signed report; the printed decimals are its bounds",
		Question: "How many minutes at or below the level does the signed report print, with all its decimals (or can the recording be sent)?"},
	{Name: "awake_spo2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "saturation awake at rest on room air, beside a test asleep",
		Question: "Which saturation awake, at rest, on room air does the chart hold?"},
	{Name: "awake_pao2", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Office, Settles: "located", Level: true,
		Meaning:  "arterial oxygen pressure awake at rest on room air, beside a test asleep",
		Question: "Which arterial oxygen pressure awake, at rest, on room air does the chart hold?"},
	{Name: "rest_spo2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "saturation at rest, awake, on room air",
		Question: "Which saturation at rest, awake, on room air was recorded?"},
	{Name: "rest_pao2", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Office, Settles: "located", Level: true,
		Meaning:  "arterial oxygen pressure at rest, awake, on room air",
		Question: "Which arterial oxygen pressure at rest, awake, on room air was measured?"},
	{Name: "rest_sao2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "arterial oxygen saturation of the blood gas at rest, awake, on room air",
		Question: "Which arterial oxygen saturation does the blood gas at rest, awake, on room air print?"},
	{Name: "second_test_date", Type: TypeDate, Who: Office, Settles: "located",
		Meaning:  "the calendar day of another blood gas or measurement that confirms the first",
		Question: "On which date was the other blood gas or measurement taken that confirms this one?"},
	{Name: "second_pao2", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Office, Settles: "located", Level: true,
		Meaning:  "arterial oxygen pressure of the other blood gas at rest, awake, on room air",
		Question: "Which arterial oxygen pressure was measured by the other blood gas at rest, awake, on room air?"},
	{Name: "second_sao2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "arterial oxygen saturation of the other blood gas at rest, awake, on room air",
		Question: "Which arterial oxygen saturation does the other blood gas at rest, awake, on room air print?"},
	{Name: "first_spot_spo2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "the first of three separate measurements of saturation on room air",
		Question: "Which saturation did the first of three separate measurements on room air show?"},
	{Name: "second_spot_spo2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "the second of three separate measurements of saturation on room air",
		Question: "Which saturation did the second of three separate measurements on room air show?"},
	{Name: "third_spot_spo2", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located", Level: true,
		Meaning:  "the third of three separate measurements of saturation on room air",
		Question: "Which saturation did the third of three separate measurements on room air show?"},
	{Name: "exertion_spo2_air", Type: TypeNumber, Unit: "%", Who: Tester, Settles: "stated", Level: true,
		Meaning:  "lowest saturation on exertion, on room air",
		Question: "What was the lowest saturation on exertion, on room air?"},
	{Name: "exertion_spo2_oxygen", Type: TypeNumber, Unit: "%", Who: Tester, Settles: "stated", Level: true,
		Meaning:  "lowest saturation on exertion, on oxygen",
		Question: "What was the lowest saturation on exertion, on oxygen?"},
	{Name: "exertion_pao2_air", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Tester, Settles: "stated", Level: true,
		Meaning:  "lowest arterial oxygen pressure on exertion, on room air",
		Question: "What was the lowest arterial oxygen pressure on exertion, on room air?"},
	{Name: "exertion_oxygen_flow", Type: TypeNumber, Unit: "L/min", Who: Tester, Settles: "stated",
		Meaning:  "continuous flow of oxygen needed on exertion",
		Question: "Which continuous flow of oxygen did the patient need on exertion, in L/min?"},
	{Name: "same_sitting", Type: TypeBool, Who: Tester, Settles: "stated",
		Meaning:  "all legs of the exertional test were taken in one sitting",
		Question: "Were all legs of the exertional test taken in one sitting?"},
	{Name: "exertion_in_person", Type: TypeBool, Who: Tester, Settles: "stated",
		Meaning:  "a qualified professional supervised the exertional test in person",
		Question: "Did a qualified professional supervise the exertional test in person?"},
	{Name: "symptoms", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "symptoms or signs that the practitioner attributes to low oxygen are documented",
		Question: "Does the chart hold symptoms or signs that the practitioner attributes to low oxygen?"},
	{Name: "dyspnea_on_exertion", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "dyspnea on exertion is documented",
		Question: "Does the chart hold dyspnea on exertion?"},
	{Name: "low_oxygen_asleep_or_exertion", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "low oxygen asleep or on exertion is documented, beside that at rest",
		Question: "Does the chart hold low oxygen asleep or on exertion, beside that at rest?"},
	{Name: "chronic_hypoxemia", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the practitioner calls the low oxygen chronic",
		Question: "Does the chart say that the low oxygen is chronic?"},
	{Name: "sleep_apnea", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "obstructive sleep apnea is diagnosed",
		Question: "Does the chart hold a diagnosis of obstructive sleep apnea?"},
	{Name: "hematocrit", Type: TypeNumber, Unit: "%", Who: Office, Settles: "located",
		Meaning:  "hematocrit in percent",
		Question: "Which hematocrit, in percent, does the chart hold?"},
	{Name: "hemoglobin", Type: TypeNumber, Unit: "g/L", Who: Office, Settles: "located",
		Meaning:  "hemoglobin of the blood in grams per liter",
		Question: "Which hemoglobin, in grams per liter, does the chart hold?"},
	{Name: "dependent_edema", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "dependent edema suggesting congestive heart failure is documented",
		Question: "Does the chart hold dependent edema that suggests congestive heart failure?"},
	{Name: "pulmonary_hypertension", Type: TypeWord, Words: []string{"none", "pressure_measured", "blood_pool_scan", "echocardiogram", "method_not_named"}, Who: Office, Settles: "located",
		Meaning:  "pulmonary hypertension or cor pulmonale, by the method that showed it",
		Question: "Does the chart hold pulmonary hypertension or cor pulmonale, and which method showed it?"},
	{Name: "p_wave_height", Type: TypeNumber, Unit: "mm", Who: Office, Settles: "located",
		Meaning:  "height of the P wave in lead II, III or aVF of the electrocardiogram",
		Question: "How high is the P wave in lead II, III or aVF of the electrocardiogram, in mm (0 if no electrocardiogram was taken)?"},
	{Name: "chronic_stable_state", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the test was taken in a chronic stable state, not during an acute illness or exacerbation",
		Question: "Was the patient in a chronic stable state when tested, outside any acute illness or exacerbation?"},
	{Name: "lung_disease_or_symptoms", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "severe lung disease or symptoms related to low oxygen that oxygen may improve are documented",
		Question: "Does the chart hold a severe lung disease, or symptoms related to low oxygen that oxygen may improve?"},
	{Name: "alternatives_tried", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "alternative treatment was tried or considered and found insufficient",
		Question: "Does the chart hold that alternative treatment was tried or considered and was not enough?"},
	{Name: "start_date", Type: TypeDate, Who: Intake, Settles: "stated",
		Meaning:  "the day on which oxygen at home starts or started",
		Question: "On which date does oxygen at home start?"},
	{Name: "distinct_condition", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the practitioner attests a condition with distinct symptoms that oxygen improves although saturation is normal",
		Question: "Does the practitioner attest a condition with distinct symptoms that oxygen improves although saturation is normal?"},
	{Name: "smoking_stopped_month", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the patient does not smoke and stopped at least one month ago",
		Question: "Does the chart hold that the patient does not smoke, or stopped at least one month ago?"},
	{Name: "diagnosis", Type: TypeWord, Words: diagnosisWords, Who: Office, Settles: "located",
		Meaning:  "the diagnosis for which oxygen is asked",
		Question: "For which diagnosis is oxygen asked?"},
	{Name: "congenital_heart_disease", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "congenital heart disease is diagnosed",
		Question: "Does the chart hold a congenital heart disease?"},
	{Name: "definitive_treatment_ruled_out", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "definitive treatment of disordered breathing during sleep is not possible or not tolerated",
		Question: "Does the chart say that definitive treatment of the disordered breathing during sleep is not possible or not tolerated?"},
	{Name: "mobile_outside_home", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the patient is mobile outside the home",
		Question: "Does the chart say that the patient is mobile outside the home?"},
	{Name: "practitioner_prescribes", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "the treating practitioner finds oxygen at home appropriate and prescribes it",
		Question: "Does the chart show that the treating practitioner finds oxygen at home appropriate and prescribes it?"},
	{Name: "dual_eligible", Type: TypeBool, Who: Intake, Settles: "stated",
		Meaning:  "the patient is enrolled in Medicare beside Medicaid",
		Question: "Is the patient enrolled in Medicare beside Medicaid?"},
	{Name: "medicare_decision", Type: TypeWord, Words: []string{"paid", "denied"}, Who: Intake, Settles: "stated",
		Meaning:  "what Medicare decided on payment for this patient's oxygen at home",
		Question: "What did Medicare decide on payment for this patient's oxygen at home?"},
	{Name: "certificate_date", Type: TypeDate, Who: Office, Settles: "located",
		Meaning:  "the date of the certificate of medical necessity",
		Question: "What date does the certificate of medical necessity carry?"},
	{Name: "test_paid_by_supplier", Type: TypeBool, Who: Intake, Settles: "stated",
		Meaning:  "a supplier of equipment, or a company related to it, paid for the test",
		Question: "Did a supplier of equipment, or a company related to it, pay for the test?"},
	{Name: "test_nearest_discharge", Type: TypeBool, Who: Office, Settles: "located",
		Meaning:  "no other test of the same stay lies nearer to discharge",
		Question: "Is this the test of the stay that lies nearest to discharge?"},
	{Name: "birth_date", Type: TypeDate, Who: Intake, Settles: "stated",
		Meaning:  "the patient's date of birth",
		Question: "What is the patient's date of birth?"},
	{Name: "recordings", Type: TypeList, Who: Intake, Settles: "stated",
		Meaning:  "which recording is which night or leg, by SHA-256 and role",
		Question: "Which recording is which night or leg?"},
	{Name: "session_choice", Type: TypeNumber, Who: Intake, Settles: "stated",
		Meaning:  "which session of the recording is this patient's test, numbered from 1 in time order",
		Question: "The recording holds several sessions. Which one is this patient's test?"},

	// Papers: what must be on file. They change no verdict.
	{Name: "written_order", Type: TypePaper, Who: Office, Settles: "located",
		Meaning: "a signed written order for oxygen", Question: "Where does the signed written order for oxygen stand?"},
	{Name: "test_report", Type: TypePaper, Who: Tester, Settles: "located",
		Meaning: "the tester's signed report", Question: "Where does the tester's signed report stand?"},
	{Name: "evaluation_note", Type: TypePaper, Who: Office, Settles: "located",
		Meaning: "the note that shows the practitioner's evaluation of the result", Question: "Where does the note with the practitioner's evaluation of the result stand?"},
	{Name: "variation_factors", Type: TypePaper, Who: Office, Settles: "located",
		Meaning:  "the record's description of age, skin pigmentation, altitude or reduced oxygen-carrying capacity, where they apply",
		Question: "Where does the record describe age, skin pigmentation, altitude or reduced oxygen-carrying capacity, as far as they apply?"},
	{Name: "continued_need", Type: TypePaper, Who: Office, Settles: "located",
		Meaning: "documentation of continued need and use", Question: "Where does the record document continued need and use?"},

	// Measures of a recording.
	{Name: "recorded_time", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording"},
		Meaning: "length of the session from first to last record"},
	{Name: "valid_time", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording"},
		Meaning: "time with a plausible reading"},
	{Name: "time_at_or_below", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording", "reported_minutes"}, Param: "spo2", Level: true,
		Meaning: "total time at or below a saturation"},
	{Name: "time_below", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording"}, Param: "spo2", Level: true,
		Meaning: "total time below a saturation"},
	{Name: "longest_at_or_below", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording"}, Param: "spo2", Level: true,
		Meaning: "longest unbroken time at or below a saturation"},
	{Name: "share_at_or_below", Type: TypeNumber, Unit: "", Settles: "computed", From: []string{"recording"}, Param: "spo2", Level: true,
		Meaning: "share (0 to 1) of the denominator's time at or below a saturation"},
	{Name: "share_below", Type: TypeNumber, Unit: "", Settles: "computed", From: []string{"recording"}, Param: "spo2", Level: true,
		Meaning: "share (0 to 1) of the denominator's time below a saturation"},
	{Name: "nadir", Type: TypeNumber, Unit: "%", Settles: "computed", From: []string{"recording"}, Level: true,
		Meaning: "lowest saturation of the session"},
	{Name: "mean_spo2", Type: TypeNumber, Unit: "%", Settles: "computed", From: []string{"recording"},
		Meaning: "time-weighted mean saturation of the session, never rounded"},
	{Name: "largest_fall", Type: TypeNumber, Unit: "points", Settles: "computed", From: []string{"recording"},
		Meaning: "highest minus lowest plausible saturation of the session: no baseline inside it gives a larger fall"},
	{Name: "time_fall_more_than", Type: TypeDuration, Unit: "s", Settles: "computed", From: []string{"recording"}, Param: "points",
		Meaning: "total time more than so many points below the pack's baseline, unrounded"},
	{Name: "asleep_pao2_fall", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Tester, Settles: "stated",
		Meaning:  "fall of arterial oxygen pressure asleep from the baseline",
		Question: "By how much did arterial oxygen pressure fall asleep?"},
	{Name: "asleep_pao2", Type: TypeNumber, Unit: "mmHg", Units: []string{"kPa"}, Who: Tester, Settles: "stated", Level: true,
		Meaning:  "arterial oxygen pressure asleep",
		Question: "Which arterial oxygen pressure was measured asleep?"},

	// Computed from stated facts.
	{Name: "days_order_to_test", Type: TypeNumber, Unit: "days", Settles: "computed", From: []string{"order_date", "test_date"},
		Meaning: "calendar days from the order to the test, negative if the test came first"},
	{Name: "days_test_to_discharge", Type: TypeNumber, Unit: "days", Settles: "computed", From: []string{"test_date", "discharge_date"},
		Meaning: "calendar days from the test to discharge, negative if the test came after"},
	{Name: "days_test_to_start", Type: TypeNumber, Unit: "days", Settles: "computed", From: []string{"test_date", "start_date"},
		Meaning: "calendar days from the test to the start of oxygen, negative if the test came after"},
	{Name: "days_test_to_certificate", Type: TypeNumber, Unit: "days", Settles: "computed", From: []string{"test_date", "certificate_date"},
		Meaning: "calendar days from the test to the certificate of medical necessity, negative if the test came after"},
	{Name: "days_between_gases", Type: TypeNumber, Unit: "days", Settles: "computed", From: []string{"test_date", "second_test_date"},
		Meaning: "calendar days between the two blood gases or measurements, whichever came first"},
	{Name: "highest_spot_spo2", Type: TypeNumber, Unit: "%", Settles: "computed", From: []string{"first_spot_spo2", "second_spot_spo2", "third_spot_spo2"}, Level: true,
		Meaning: "highest of three separate measurements of saturation"},
	{Name: "exertion_improvement", Type: TypeNumber, Unit: "points", Settles: "computed", From: []string{"exertion_spo2_air", "exertion_spo2_oxygen"},
		Meaning: "lowest saturation on exertion on oxygen minus that on air"},
	{Name: "age", Type: TypeNumber, Unit: "years", Settles: "computed", From: []string{"birth_date", "test_date"},
		Meaning: "completed years on the date of the test"},
}
