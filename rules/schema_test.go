package rules

import (
	"bytes"
	"encoding/json"
	"flag"
	"io/fs"
	"os"
	"path"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

var update = flag.Bool("update", false, "rewrite the files of schema/")

var kinds = []string{"pack", "region", "cases"}

func TestSchemaFiles(t *testing.T) {
	for _, kind := range kinds {
		file := "schema/" + kind + ".schema.json"
		want := Schema(kind)
		if *update {
			if err := os.WriteFile(file, want, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(file)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what the types and the vocabulary make (%v); run go test ./rules -run TestSchemaFiles -update and read the difference", file, err)
		}
	}
	if Schema("packs") != nil {
		t.Error("a schema of an unknown kind")
	}
}

// compile reads the schema with a general library of JSON Schema, formats
// checked, so that the schema is also checked against the draft's own schema.
func compile(t *testing.T, kind string) *jsonschema.Schema {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema(kind)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource(kind+".schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(kind + ".schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// toJSON is the file as an editor with a schema sees it.
func toJSON(data []byte) (any, error) {
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		return nil, err
	}
	j, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(j))
}

func TestSchemaAcceptsPacks(t *testing.T) {
	schemas := map[string]*jsonschema.Schema{}
	for _, kind := range kinds {
		schemas[kind] = compile(t, kind)
	}
	files, err := fs.Glob(packs, "packs/*/*.yaml")
	if err != nil || len(files) < 3 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		kind := "pack"
		switch {
		case path.Base(file) == "region.yaml":
			kind = "region"
		case strings.HasSuffix(file, ".cases.yaml"):
			kind = "cases"
		}
		data, err := packs.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		v, err := toJSON(data)
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		if err := schemas[kind].Validate(v); err != nil {
			t.Errorf("%s: %#v", file, err)
		}
	}
}

// The second line of a bad file says whether the schema refuses it: what it
// accepts, Load alone tells.
func TestSchemaRefusesBadFiles(t *testing.T) {
	s := compile(t, "pack")
	for _, f := range badFiles(t) {
		v, err := toJSON(f.data)
		if err == nil {
			err = s.Validate(v)
		}
		if (err != nil) != f.schema {
			t.Errorf("%s: the schema refuses: %v, the file says %v: %v", f.name, err != nil, f.schema, err)
		}
	}
}

// Every key of pack.go is described, and nothing else is.
func TestDescriptions(t *testing.T) {
	var want []string
	for _, s := range []reflect.Type{
		reflect.TypeFor[Region](), reflect.TypeFor[Applies](), reflect.TypeFor[Pack](), reflect.TypeFor[Citation](), reflect.TypeFor[Reading](), reflect.TypeFor[Custody](),
		reflect.TypeFor[Node](), reflect.TypeFor[NOf](), reflect.TypeFor[Item](), reflect.TypeFor[Consequence](),
		reflect.TypeFor[Deferral](), reflect.TypeFor[Override](), reflect.TypeFor[Choose](), reflect.TypeFor[Due](), reflect.TypeFor[Prompt](),
	} {
		for _, key := range keys(s) {
			want = append(want, s.Name()+"."+key)
		}
	}
	slices.Sort(want)
	if got := sortedKeys(descriptions); !slices.Equal(got, want) {
		t.Errorf("descriptions:\n%v\nkeys of pack.go:\n%v", got, want)
	}
	for key, text := range descriptions {
		if text == "" {
			t.Errorf("%s has an empty description", key)
		}
	}
}
