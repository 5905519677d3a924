package web

import (
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/web/texts"
)

var (
	toldInScript   = regexp.MustCompile(`\btell\("([a-z]+)"`)
	quotedInScript = regexp.MustCompile("\"(?:[^\"\\\\\\n]|\\\\.)*\"|`[^`]*`")
	lineOfRemark   = regexp.MustCompile(`(?m)^\s*//.*$|\s// .*$`)
)

// The scripts that speak hold no text of their own: each is told under a name
// that comes with the page in its language, and each language has them all.
func TestScriptsHoldNoText(t *testing.T) {
	asked := map[string]bool{}
	for _, name := range []string{"trace.js", "site.js"} {
		source := lineOfRemark.ReplaceAllString(string(statics[name].body), "")
		for _, m := range toldInScript.FindAllStringSubmatch(source, -1) {
			asked[m[1]] = true
		}
		for _, s := range quotedInScript.FindAllString(source, -1) {
			if severalWords.MatchString(s) && !strings.ContainsAny(s, "[$") && !notRead[s] {
				t.Errorf("%s holds %s; expected tell(…) with a text of scriptWords", name, s)
			}
		}
	}
	for name, text := range scriptWords {
		if !asked[name] {
			t.Errorf("no script asks for %q", name)
		}
		for _, l := range texts.Languages[1:] {
			if !l.Has(text) || !slices.Equal(placesOf(text), placesOf(scriptsSay[l][name])) {
				t.Errorf("%s lacks %q, or its places", l.Name, text)
			}
		}
	}
	for name := range asked {
		if scriptWords[name] == "" {
			t.Errorf("a script asks for %q, which is not there", name)
		}
	}
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	v.accept = "es"
	b.wants(html.UnescapeString(v.page("/cases")), `"place":"Lugar en el trazado"`, `<meta name="said" content="{`)
}

// notRead are names of classes and the like, which nobody reads.
var notRead = map[string]bool{`"datalist option"`: true, `"use strict"`: true, `"small reading"`: true, `"do no-print trace-bar"`: true}
