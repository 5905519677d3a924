// Package deployment reads template.yaml, so that tests hold it against the
// code: which functions there are, what each is told and may do.
//
// Call Load. It reads the file as YAML; what the platform fills in later is
// written as text: {"Ref": "Table"} as "${Table}" and an attribute as
// "${Table.Arn}".
package deployment

import (
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
)

// Template is the deployment.
type Template struct {
	Parameters map[string]map[string]any `yaml:"Parameters"`
	Resources  map[string]Resource       `yaml:"Resources"`
	Outputs    map[string]map[string]any `yaml:"Outputs"`
}

// Resource is one part of it, with what is filled in as text.
type Resource struct {
	Type       string         `yaml:"Type"`
	Properties map[string]any `yaml:"Properties"`
	// DeletionPolicy and UpdateReplacePolicy say whether it stays when the
	// deployment goes, or is made anew.
	DeletionPolicy      string `yaml:"DeletionPolicy"`
	UpdateReplacePolicy string `yaml:"UpdateReplacePolicy"`
}

// Load reads a template.
func Load(file string) (*Template, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var t Template
	if err := yaml.Unmarshal(data, &t); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	for name, r := range t.Resources {
		r.Properties, _ = filled(r.Properties).(map[string]any)
		t.Resources[name] = r
	}
	for _, o := range t.Outputs {
		o["Value"] = filled(o["Value"])
	}
	return &t, nil
}

// filled writes what the platform fills in as text.
func filled(v any) any {
	switch v := v.(type) {
	case map[string]any:
		if len(v) == 1 {
			if name, ok := v["Ref"].(string); ok {
				return "${" + name + "}"
			}
			if text, ok := v["Fn::Sub"].(string); ok {
				return text
			}
			if parts, ok := v["Fn::GetAtt"].([]any); ok && len(parts) == 2 {
				return fmt.Sprintf("${%v.%v}", parts[0], parts[1])
			}
		}
		out := map[string]any{}
		for k, w := range v {
			out[k] = filled(w)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, w := range v {
			out[i] = filled(w)
		}
		return out
	}
	return v
}

// At goes down into v by keys and, where a list is, by numbers; nil if there
// is nothing.
func At(v any, path ...any) any {
	for _, p := range path {
		switch w := v.(type) {
		case map[string]any:
			k, _ := p.(string)
			v = w[k]
		case []any:
			i, ok := p.(int)
			if !ok || i >= len(w) {
				return nil
			}
			v = w[i]
		default:
			return nil
		}
	}
	return v
}

// Functions are the functions by their names, which their folders have too.
func (t *Template) Functions() map[string]Resource {
	out := map[string]Resource{}
	for name, r := range t.Resources {
		if r.Type == "AWS::Serverless::Function" {
			out[strings.ToLower(name)] = r
		}
	}
	return out
}

// Statement is one statement of a policy.
type Statement struct {
	Where     string // the resource that holds it
	Effect    string
	Actions   []string
	Resources []string
}

// Statements are all statements of the policies of a resource, whatever it
// calls them.
func Statements(where string, properties map[string]any) []Statement {
	var out []Statement
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if effect, ok := v["Effect"].(string); ok {
				out = append(out, Statement{where, effect, texts(v["Action"]), texts(v["Resource"])})
				return
			}
			for _, k := range sortedKeys(v) {
				walk(v[k])
			}
		case []any:
			for _, w := range v {
				walk(w)
			}
		}
	}
	walk(properties)
	return out
}

func sortedKeys(m map[string]any) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// texts are the words of a list, or of one.
func texts(v any) []string {
	list, ok := v.([]any)
	if !ok {
		list = []any{v}
	}
	var out []string
	for _, w := range list {
		if w != nil {
			out = append(out, fmt.Sprint(w))
		}
	}
	return out
}

// May are the actions that a function may do, and on what: "ACTION RESOURCE".
func (t *Template) May(function string) ([]string, error) {
	f, ok := t.Functions()[function]
	if !ok {
		return nil, fmt.Errorf("the template has no function %q", function)
	}
	role := strings.TrimSuffix(strings.TrimPrefix(fmt.Sprint(f.Properties["Role"]), "${"), ".Arn}")
	r, ok := t.Resources[role]
	if !ok {
		return nil, fmt.Errorf("function %s: expected a role of the template, found %q", function, role)
	}
	var out []string
	for _, s := range Statements(role, map[string]any{"Policies": r.Properties["Policies"]}) {
		for _, a := range s.Actions {
			for _, on := range s.Resources {
				out = append(out, a+" "+on)
			}
		}
	}
	slices.Sort(out)
	return out, nil
}
