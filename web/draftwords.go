package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"sync"

	"airwarrant/rules"
)

// completion is what an editor offers while a version is written: keys, the
// values that a key takes, and facts with their words.
type completion struct {
	Keys   []offered           `json:"keys"`
	Values map[string][]string `json:"values"` // by key
	Facts  []offered           `json:"facts"`
	Words  map[string][]string `json:"words"` // by fact
	Units  map[string][]string `json:"units"` // by fact
	Of     map[string]string   `json:"of"`    // by key: facts, where the value is the name of one
}

// offered is a word with what it means.
type offered struct {
	Word string `json:"word"`
	Says string `json:"says"`
}

// words reads the completion out of the JSON Schema of a version and of the
// vocabulary, so that it never falls behind them.
var draftWordsOf = sync.OnceValues(func() ([]byte, error) {
	c := completion{Values: map[string][]string{}, Words: map[string][]string{}, Units: map[string][]string{}, Of: map[string]string{"fact": "facts", "unless_known": "facts", "ask": "facts"}}
	keys := map[string]string{}
	for _, kind := range []string{"pack", "cases", "region"} {
		var schema any
		if err := json.Unmarshal(rules.Schema(kind), &schema); err != nil {
			return nil, err
		}
		readSchema(schema, keys, c.Values)
	}
	for _, key := range sortedKeysOf(keys) {
		if _, fact := rules.Lookup(key); !fact { // cases state facts by their names
			c.Keys = append(c.Keys, offered{key, keys[key]})
		}
	}
	for _, def := range rules.Vocabulary() {
		says := string(def.Type)
		if def.Unit != "" {
			says += ", " + def.Unit
		}
		c.Facts = append(c.Facts, offered{def.Name, says + ": " + def.Meaning})
		switch {
		case len(def.Words) > 0:
			c.Words[def.Name] = def.Words
		case def.Type == rules.TypeBool:
			c.Words[def.Name] = []string{"true", "false"}
		}
		if def.Unit != "" {
			c.Units[def.Name] = append([]string{def.Unit}, def.Units...)
		}
	}
	return json.Marshal(c)
})

// readSchema collects the keys of every object of a schema with their
// descriptions, and the words that a key takes.
func readSchema(v any, keys map[string]string, values map[string][]string) {
	switch v := v.(type) {
	case []any:
		for _, x := range v {
			readSchema(x, keys, values)
		}
	case map[string]any:
		if properties, ok := v["properties"].(map[string]any); ok {
			for key, p := range properties {
				p, ok := p.(map[string]any)
				if !ok {
					continue // false: the key is forbidden there
				}
				if says, ok := p["description"].(string); ok && keys[key] == "" {
					keys[key] = says
				}
				words, _ := p["enum"].([]any)
				if items, ok := p["items"].(map[string]any); ok && words == nil {
					words, _ = items["enum"].([]any)
				}
				for _, w := range words {
					if w, ok := w.(string); ok && key != "fact" && key != "from" && !slices.Contains(values[key], w) {
						values[key] = append(values[key], w)
					}
				}
			}
		}
		for _, x := range v {
			readSchema(x, keys, values)
		}
	}
}

func sortedKeysOf(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// draftWords gives the completion to the script of the page.
func (s *Site) draftWords(w http.ResponseWriter, _ *request) error {
	data, err := draftWordsOf()
	if err != nil {
		return err
	}
	send(w, http.StatusOK, "application/json", data)
	return nil
}
