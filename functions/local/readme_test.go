package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var (
	fenced   = regexp.MustCompile("(?ms)^```([a-z]+)\n(.*?)^```$")
	writeTo  = regexp.MustCompile("Write to `([^`]+)`:$")
	appendTo = regexp.MustCompile("Add to the end of `([^`]+)`:$")
	inFile   = regexp.MustCompile("In `([^`]+)`, put in place of$")
	copyFile = regexp.MustCompile("(?:Copy|and) `([^`]+)` to `([^`]+)`")
)

// commandWords splits a line as a shell does, as far as the README needs it.
func commandWords(line string) []string {
	var words []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			words = append(words, part)
		} else {
			words = append(words, strings.Fields(part)...)
		}
	}
	return words
}

// TestMaintainersWalk follows the steps of rules/packs/README.md to the letter:
// it writes, changes and copies what they say, runs the commands, and compares
// what they print with what the page shows. Nothing is added to them.
func TestMaintainersWalk(t *testing.T) {
	page, err := os.ReadFile("../../rules/packs/README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, walk, ok := strings.Cut(string(page), "## A first payer, step by step\n")
	if walk, _, _ = strings.Cut(walk, "\n## "); !ok || walk == "" {
		t.Fatal("the README has no steps")
	}
	t.Chdir(t.TempDir())
	read := func(name string) string {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	write := func(name, text string) {
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var current, old, printed string
	var last ran
	commands, shown, faults, at := 0, 0, 0, 0
	for _, m := range fenced.FindAllStringSubmatchIndex(walk, -1) {
		prose := strings.Join(strings.Fields(walk[at:m[0]]), " ")
		kind, block := walk[m[2]:m[3]], walk[m[4]:m[5]]
		at = m[1]
		for _, c := range copyFile.FindAllStringSubmatch(prose, -1) {
			write(c[2], read(c[1]))
		}
		switch {
		case kind == "sh":
			printed = ""
			for _, line := range strings.Split(strings.TrimSpace(block), "\n") {
				words := commandWords(line)
				if words[0] != "airwarrant" {
					t.Fatalf("%q: expected a command of the program", line)
				}
				last = command(t, "", words[1:]...)
				printed += last.out
				commands++
				if last.code != exitOK {
					faults++
					if !strings.Contains(prose, "Check it:") {
						t.Errorf("%s: exit status %d\n%s%s", line, last.code, last.out, last.err)
					}
				}
			}
		case kind == "text" && writeTo.FindStringSubmatch(prose) == nil:
			shown++
			if strings.TrimSpace(printed) != strings.TrimSpace(block) {
				t.Errorf("the page shows\n%s\nand the program prints\n%s", block, printed)
			}
		case writeTo.MatchString(prose):
			write(writeTo.FindStringSubmatch(prose)[1], block)
		case appendTo.MatchString(prose):
			name := appendTo.FindStringSubmatch(prose)[1]
			write(name, read(name)+block)
		case strings.HasSuffix(prose, "in place of"):
			if f := inFile.FindStringSubmatch(prose); f != nil {
				current = f[1]
			}
			if old = block; strings.Count(read(current), old) != 1 {
				t.Fatalf("%s: expected once\n%s", current, old)
			}
		case strings.HasSuffix(prose, "this:") && old != "":
			write(current, strings.Replace(read(current), old, block, 1))
			old = ""
		default:
			t.Fatalf("nothing says what to do with\n%s\nafter %q", block, prose)
		}
	}
	if commands < 8 || shown != 5 || faults != 1 {
		t.Errorf("%d commands, %d answers shown, %d refused; expected the slip of step 2 to be refused and nothing else", commands, shown, faults)
	}
	// What the last step promises.
	words := strings.Join(strings.Fields(last.out), " ")
	for _, want := range []string{"confirmed by A. Reader on 2030-07-02, in notice 8, of 2030", "xx-valley 2030-07-01", "Low saturation at rest"} {
		if !strings.Contains(words, want) {
			t.Errorf("%q is missing in\n%s", want, last.out)
		}
	}
}
