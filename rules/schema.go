package rules

import (
	"bytes"
	"encoding/json"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
)

// Schema returns the JSON Schema (draft 2020-12) of one kind of file, "pack",
// "region" or "cases", as indented JSON; nil for another kind. It is made from
// the types in pack.go, their validator tags and the vocabulary, so that an
// editor tells most mistakes while a maintainer types. What no schema can say
// (a citation that nothing names, an empty band) Load alone tells.
func Schema(kind string) []byte {
	var root object
	switch kind {
	case "pack":
		root = packSchema()
	case "region":
		root = structSchema(reflect.TypeFor[Region](), false)
	case "cases":
		root = casesSchema()
	default:
		return nil
	}
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = map[string]string{
		"pack":   "One version of a region's criteria, <YYYY-MM-DD>.yaml",
		"region": "What the versions of a region have in common, region.yaml",
		"cases":  "Boundary cases of one version, <YYYY-MM-DD>.cases.yaml",
	}[kind]
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(root); err != nil {
		panic("rules: schema: " + err.Error()) // maps, lists and text always encode
	}
	return b.Bytes()
}

// object is a JSON object; its keys are printed in alphabetical order.
type object = map[string]any

func ref(name string) object { return object{"$ref": "#/$defs/" + name} }

func packSchema() object {
	root := structSchema(reflect.TypeFor[Pack](), false)
	root["if"] = object{"properties": object{"withdrawn": object{"const": true}}, "required": []string{"withdrawn"}}
	root["then"] = object{"properties": object{"criteria": false}}
	root["else"] = object{"required": []string{"criteria"}}
	root["dependentRequired"] = object{
		"population": []string{"otherwise_see"}, "otherwise_see": []string{"population"},
		"expires": []string{"expires_cite"}, "expires_cite": []string{"expires"},
	}
	defs := object{
		"date":     object{"type": "string", "format": "date"},
		"text":     object{"type": "string", "pattern": `\S`},
		"name":     object{"type": "string", "pattern": namePattern.String()},
		"quantity": figureSchema(unitNames(), true),
		"fact":     object{"enum": factNames()},
		"clause":   nodeSchema(false),
		"gate":     nodeSchema(true),
		"leaf":     object{"allOf": leafRules()},
	}
	for _, def := range vocabulary {
		if slices.Contains(comparators(def), "at_least") {
			defs["limit-"+shapeName(def)] = limitSchema(def)
		}
	}
	root["$defs"] = defs
	return root
}

// structSchema describes a struct of pack.go by its yaml and validate tags.
// The parts of a gate are gates.
func structSchema(t reflect.Type, gate bool) object {
	properties, required := object{}, []string{}
	for i := range t.NumField() {
		f := t.Field(i)
		key, word := yamlKey(f)
		if key == "" {
			continue
		}
		s := fieldSchema(f.Type, gate || key == "applies_when" || key == "when" || key == "population" || key == "if")
		if word {
			s = object{"type": []string{"string", "boolean"}}
		}
		switch key {
		case "id":
			s = ref("name")
		case "fact", "unless_known", "ask":
			s = ref("fact")
		case "report_level":
			s = figureSchema([]string{"%"}, false)
		case "short_below", "leg_hold":
			s = figureSchema([]string{"s", "min", "h"}, false)
		}
		for _, rule := range strings.Split(f.Tag.Get("validate"), ",") {
			name, parameter, _ := strings.Cut(rule, "=")
			switch name {
			case "required":
				required = append(required, key)
			case "oneof":
				s = object{"enum": strings.Fields(parameter)}
			case "min":
				s["minimum"] = json.Number(parameter)
			}
		}
		s["description"] = descriptions[t.Name()+"."+key]
		properties[key] = s
	}
	switch t {
	case reflect.TypeFor[Item]():
		properties["fact"] = object{"enum": papers(), "description": descriptions["Item.fact"]}
	case reflect.TypeFor[Due]():
		properties["from"] = object{"enum": dates(), "description": descriptions["Due.from"]}
		for _, key := range []string{"at_least", "at_or_below"} {
			s := figureSchema(dueUnits, false)
			s["description"] = descriptions["Due."+key]
			properties[key] = s
		}
		return object{"type": "object", "properties": properties, "required": required, "additionalProperties": false,
			"anyOf": []object{{"required": []string{"at_least"}}, {"required": []string{"at_or_below"}}}}
	case reflect.TypeFor[Choose]():
		properties["order"] = object{"type": "array", "items": object{"enum": chooseWords}, "uniqueItems": true, "minItems": 1, "description": descriptions["Choose.order"]}
	case reflect.TypeFor[Custody]():
		properties["accepts"].(object)["items"] = object{"enum": custodyWords}
	case reflect.TypeFor[Region]():
		properties["region"].(object)["pattern"] = regionPattern.String()
		withoutDefs(properties)
	case reflect.TypeFor[Applies]():
		properties["places"].(object)["items"] = object{"type": "string", "pattern": `^[A-Z]{2}(-[A-Z0-9]{1,3})?$`}
		properties["payer"].(object)["pattern"] = payerPattern.String()
		withoutDefs(properties)
		return object{"type": "object", "properties": properties, "required": required, "additionalProperties": false,
			"dependentRequired": object{"payer": []string{"program"}, "program": []string{"payer"}}}
	}
	return object{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}

// withoutDefs spells texts out: the schema of a region has no $defs.
func withoutDefs(properties object) {
	for _, s := range properties {
		if s := s.(object); s["$ref"] == "#/$defs/text" {
			delete(s, "$ref")
			s["type"] = "string"
		}
	}
}

func fieldSchema(t reflect.Type, gate bool) object {
	switch t {
	case reflect.TypeFor[Date]():
		return ref("date")
	case reflect.TypeFor[Quantity](), reflect.TypeFor[*Quantity]():
		return ref("quantity")
	case reflect.TypeFor[Quantities]():
		return object{"anyOf": []object{ref("quantity"), {"type": "array", "items": ref("quantity"), "minItems": 1}}}
	case reflect.TypeFor[*Node]():
		if gate {
			return ref("gate")
		}
		return ref("clause")
	}
	switch t.Kind() {
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Int:
		return object{"type": "integer"}
	case reflect.Slice:
		return object{"type": "array", "items": fieldSchema(t.Elem(), gate), "minItems": 1}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": fieldSchema(t.Elem(), gate), "propertyNames": object{"pattern": namePattern.String()}, "minProperties": 1}
	case reflect.Pointer:
		return fieldSchema(t.Elem(), gate)
	case reflect.Struct:
		return structSchema(t, gate)
	}
	return ref("text")
}

func factNames() []string {
	names := make([]string, len(vocabulary))
	for i, def := range vocabulary {
		names[i] = def.Name
	}
	return names
}

// figureSchema describes a figure in one of the units, with the unit or,
// where bare, without.
func figureSchema(units []string, bare bool) object {
	quoted := make([]string, len(units))
	for i, u := range units {
		quoted[i] = regexp.QuoteMeta(u)
	}
	text := object{"type": "string", "pattern": `^(-?[0-9]+(\.[0-9]+)?|[0-9]+/[0-9]*[1-9][0-9]*) (` + strings.Join(quoted, "|") + `)$`}
	if !bare {
		return text
	}
	text["pattern"] = strings.Replace(text["pattern"].(string), " (", "( (", 1)
	text["pattern"] = strings.Replace(text["pattern"].(string), ")$", "))?$", 1)
	return object{"anyOf": []object{{"type": "number"}, text}}
}

// nodeSchema describes a clause: exactly one kind, and for a leaf what its
// fact allows. A gate needs neither id, label, cite nor status.
func nodeSchema(gate bool) object {
	s := structSchema(reflect.TypeFor[Node](), gate)
	var kinds []object
	for _, key := range []string{"all_of", "any_of", "none_of", "n_of", "fact", "unsettled"} {
		kinds = append(kinds, object{"required": []string{key}})
	}
	s["oneOf"] = kinds
	beside := object{"ask": []string{"unsettled"}}
	for _, k := range new(Node).leafKeys() {
		beside[k.key] = []string{"fact"}
	}
	s["dependentRequired"] = beside
	var rules []object
	for _, pair := range [][2]string{{"at_least", "more_than"}, {"at_or_below", "below"}} {
		rules = append(rules, object{"not": object{"required": pair[:]}})
	}
	if !gate {
		s["required"] = []string{"id"}
		rules = append(rules, object{
			"if":   object{"required": []string{"known"}},
			"else": object{"required": []string{"label"}, "dependentRequired": object{"fact": []string{"cite", "status"}}},
		})
	}
	s["allOf"] = append(rules, ref("leaf"))
	return s
}

// leafRules says for each fact what a clause that reads it may hold. Facts
// that allow the same share one rule.
func leafRules() []object {
	shapes := map[string][]string{}
	for _, def := range vocabulary {
		rule, err := json.Marshal(leafSchema(def))
		if err != nil {
			panic("rules: schema: " + err.Error()) // maps, lists and text always encode
		}
		shapes[string(rule)] = append(shapes[string(rule)], def.Name)
	}
	var rules []object
	for _, rule := range slices.Sorted(maps.Keys(shapes)) {
		rules = append(rules, object{
			"if":   object{"properties": object{"fact": object{"enum": shapes[rule]}}, "required": []string{"fact"}},
			"then": json.RawMessage(rule),
		})
	}
	return rules
}

// shapeName names what facts of one type and unit have in common.
func shapeName(def FactDef) string {
	name := string(def.Type)
	switch def.Type {
	case TypeWord, TypeList:
		name = def.Name
	case TypeNumber, TypeDuration:
		name = strings.TrimSpace("number " + strings.Join(unitsOf(def), " "))
	}
	return strings.NewReplacer("  ", "-share-", " ", "-", "%", "percent", "/", "-per-").Replace(name)
}

// limitSchema describes the limit of a comparison: a figure, or a list of it
// in several units.
func limitSchema(def FactDef) object {
	bare := slices.Contains(unitsOf(def), "")
	units := slices.DeleteFunc(unitsOf(def), func(u string) bool { return u == "" })
	figure := object{"type": "number"} // a number that has no unit
	if len(units) > 0 {
		figure = figureSchema(units, bare)
	}
	return object{"anyOf": []object{figure, {"type": "array", "items": figure, "minItems": 1}}}
}

// leafSchema says which comparisons and parameters a fact allows.
func leafSchema(def FactDef) object {
	properties, ways := object{}, []object{}
	allowed := comparators(def)
	for _, l := range new(Node).limits() {
		if !slices.Contains(allowed, l.key) {
			properties[l.key] = false
			continue
		}
		properties[l.key] = ref("limit-" + shapeName(def))
	}
	words := any(def.words())
	if def.Type == TypeBool {
		words = []any{true, false, "true", "false"}
	}
	for key, s := range map[string]object{"is": {"enum": words}, "one_of": {"items": object{"enum": words}}, "known": {}} {
		properties[key] = false
		if slices.Contains(allowed, key) {
			properties[key] = s
		}
	}
	// Figures, is, one_of and known shut one another out.
	figures := []object{}
	for _, l := range new(Node).limits() {
		figures = append(figures, object{"required": []string{l.key}})
	}
	ways = append(ways, object{"anyOf": figures})
	for _, key := range []string{"is", "one_of", "known"} {
		ways = append(ways, object{"required": []string{key}})
	}
	required := []string{}
	for _, key := range []string{"spo2", "points"} {
		switch {
		case def.Param != key:
			properties[key] = false
		case key == "spo2":
			properties[key] = figureSchema([]string{"%"}, false)
		default:
			properties[key] = figureSchema([]string{"points"}, false)
		}
		if def.Param == key {
			required = append(required, key)
		}
	}
	if !def.roundable() {
		properties["rounding"] = false
	}
	return object{"properties": properties, "required": required, "oneOf": ways}
}

// casesSchema describes the boundary cases that package criteria decodes.
func casesSchema() object {
	text := object{"type": "string", "pattern": `\S`}
	texts := func(description string) object {
		return object{"type": "array", "items": text, "description": description}
	}
	values, properties := object{}, object{}
	questions := []string{"recording", "span_judgement"}
	for _, def := range vocabulary {
		if def.Settles != "computed" {
			name := shapeName(def)
			values[name] = valueSchema(def)
			if def.Type == TypeList {
				values["item-"+name] = itemSchema(def)
			}
			questions = append(questions, def.Name)
			properties[def.Name] = object{"$ref": ref(name)["$ref"], "description": def.Meaning}
		}
	}
	values["facts"] = object{"type": "object", "properties": properties, "additionalProperties": false, "description": "stated facts by name"}
	values["question"] = object{"anyOf": []any{object{"enum": questions}, object{"type": "string", "pattern": "^confirm:"}}}
	dispositions := []string{"covered", "not_covered", "incomplete", "invalid_test", "refer", "manual_review", "recommended_against", "not_addressed", "deferred"}
	want := object{
		"outcome":        object{"enum": []string{"qualifies", "does_not_qualify", "undetermined"}},
		"disposition":    object{"enum": dispositions},
		"met":            texts("ids of clauses that are met"),
		"not_met":        texts("ids of clauses that are not met"),
		"undetermined":   texts("ids of clauses that are undetermined"),
		"not_applicable": texts("ids of clauses that do not apply"),
		"needs":          object{"type": "array", "items": ref("question"), "description": "facts that are among the questions"},
		"allows":         texts("parts of sentences that the determination allows; an empty list: nothing is allowed"),
		"follow_up":      texts("parts of sentences that follow, with their dates; an empty list: nothing follows"),
		"open":           texts("parts of sentences that wait for an answer; an empty list: none does"),
		"document":       texts("parts of sentences on what to document; an empty list: there is none"),
		"lacks":          texts("parts of sentences that nothing of allows, follow_up, open and document holds"),
		"barred":         object{"type": "boolean", "description": "whether custody bars the supplier from the result"},
		"decides":        object{"type": "string", "pattern": `\S`, "description": "name of the test that decides where the facts list several, or none"},
		"cautions":       texts("parts of cautions beside those of the pack, such as that of an expired edition; an empty list: there is none"),
	}
	item := object{
		"type": "object",
		"properties": object{
			"name":      object{"type": "string", "pattern": `\S`, "description": "what differs in this case, in words"},
			"source":    object{"type": "string", "pattern": `\S`, "description": "where the expected outcome stands: stated by a document, or our reading"},
			"base":      object{"type": "string", "pattern": `\S`, "description": "name of the shared facts that the case begins from"},
			"facts":     ref("facts"),
			"profile":   object{"type": "string", "pattern": `\S`, "description": "an invented recording: saturation and time by turns, such as 95 6h, 88 5m"},
			"confirmed": texts("ids of clauses whose draft figure counts as confirmed"),
			"want":      object{"type": "object", "properties": want, "required": []string{"outcome"}, "additionalProperties": false, "description": "what has to come out"},
		},
		"required":             []string{"name", "want"},
		"additionalProperties": false,
	}
	return object{
		"$defs": values,
		"type":  "object",
		"properties": object{
			"base":  object{"type": "object", "additionalProperties": ref("facts"), "description": "facts that cases share, by name"},
			"cases": object{"type": "array", "items": item, "minItems": 1},
		},
		"required":             []string{"cases"},
		"additionalProperties": false,
	}
}

// valueSchema describes a stated fact: its value, the value with its unit, the
// place in the chart where an office found it, or unknown.
func valueSchema(def FactDef) object {
	var value object
	switch def.Type {
	case TypeBool, TypePaper:
		value = object{"type": "boolean"}
	case TypeDate:
		value = object{"type": "string", "format": "date"}
	case TypeWord:
		value = object{"enum": def.Words}
	case TypeOxygen:
		flow := object{"type": "object", "properties": object{"flow": figureSchema([]string{def.Unit}, true)}, "required": []string{"flow"}, "additionalProperties": false}
		value = object{"anyOf": []object{{"const": "room_air"}, flow}}
	case TypeList:
		value = object{"type": "array", "items": ref("item-" + def.Name), "minItems": 1}
	default:
		value = figureSchema(unitsOf(def), true)
		if def.Unit == "" {
			value = object{"type": "number"}
		}
	}
	text := object{"type": "string"}
	withUnit := object{"type": "object", "properties": object{"value": value, "unit": text}, "required": []string{"value"}, "additionalProperties": false}
	located := object{"type": "object", "properties": object{
		"located": value, "unit": text, "document": text, "date": object{"type": "string", "format": "date"}, "page": object{"type": []string{"string", "integer"}}, "by": text,
	}, "required": []string{"located"}, "additionalProperties": false}
	return object{"anyOf": []object{value, withUnit, located, {"const": "unknown"}}}
}

// itemSchema describes an item of a fact that is a list.
func itemSchema(def FactDef) object {
	text := object{"type": "string"}
	properties, required := object{}, []string{}
	switch def.Name {
	case "recordings":
		properties = object{"sha256": text, "role": text, "from": text, "until": text}
		required = []string{"sha256", "role"}
	case "report":
		number := object{"type": []string{"number", "string"}}
		properties = object{"measure": text, "spo2": number, "value": number, "unit": text, "document": text, "page": object{"type": []string{"string", "integer"}}, "at": text}
		required = []string{"measure", "value", "unit"}
	case "spans":
		properties = object{"sha256": text, "from": text, "to": text, "judged": object{"enum": []string{"genuine", "artifact", "cannot_tell"}}, "by": text}
		required = []string{"from", "to", "judged", "by"}
	case "tests":
		properties = object{"name": object{"type": "string", "pattern": `\S`}, "sha256": text, "session": object{"type": "integer", "minimum": 1},
			"test_time": object{"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}}
		required = []string{"name"}
		for _, of := range vocabulary {
			if of.Settles != "computed" && of.Type != TypeList && of.Name != "birth_date" && of.Name != "session_choice" {
				properties[of.Name] = ref(shapeName(of))
			}
		}
	}
	return object{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}
