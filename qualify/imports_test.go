package qualify_test

import (
	"encoding/json"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// leaf is the package that keeps sentences in their parts, and imports none of ours.
const leaf = "airwarrant/rules/wording"

// forbidden is the table of DEVELOPERS.md, "Who may import whom": no package
// whose path starts with From may import, itself and not through others, one
// whose path starts with To, except those of Except. Everybody may import leaf. A row whose To nobody
// imports at all, or whose From is gone, is stale and fails.
var forbidden = []struct {
	From, To string
	Except   []string
	Reason   string
}{
	{leaf, "airwarrant/", nil, "sentences in parts know nobody who says them"},
	{"airwarrant/rules", "airwarrant/", nil, "criteria are data and know no engine"},
	{"airwarrant/qualify/recording", "airwarrant/qualify", nil, "a recording says what the file says and knows nothing to its right"},
	{"airwarrant/qualify/recording", "airwarrant/rules", nil, "no criteria before the facts"},
	{"airwarrant/qualify/analysis", "airwarrant/qualify/criteria", nil, "the analysis knows no threshold"},
	{"airwarrant/qualify/analysis", "airwarrant/rules", nil, "the analysis knows no threshold"},
	{"airwarrant/qualify/analysis", "airwarrant/qualify/worksheet", nil, "nothing to the right is read"},
	{"airwarrant/qualify/criteria", "airwarrant/qualify/recording", nil, "criteria read facts, never samples"},
	{"airwarrant/qualify/criteria", "airwarrant/qualify/worksheet", nil, "nothing to the right is read"},
	{"airwarrant/qualify/casework", "airwarrant/", []string{"airwarrant/qualify/casework"}, "a case is events, whatever they hold"},
	{"airwarrant/qualify", "airwarrant/qualify/batch", nil, "a batch calls the chain, and the chain knows no batch"},
	{"airwarrant/qualify", "airwarrant/qualify/rehearsal", []string{"airwarrant/qualify/editions"}, "a rehearsal calls the chain, and the chain knows no rehearsal"},
	{"airwarrant/qualify", "airwarrant/qualify/editions", nil, "the chain is given its criteria, and knows nobody who publishes them"},
	{"airwarrant/qualify", "airwarrant/web", nil, "the chain knows no page"},
	{"airwarrant/qualify", "airwarrant/functions", nil, "the chain knows no entry point"},
	{"airwarrant/web", "airwarrant/functions", nil, "pages know no entry point"},
	{"airwarrant/qualify", "net/http", nil, "the chain knows no network"},
	{"airwarrant/rules", "net/http", nil, "criteria know no network"},
	{"airwarrant/qualify", "os", nil, "the chain reads no file and no environment"},
	{"airwarrant/rules", "os", nil, "packs come as a file system from the caller"},
	{"airwarrant/", "github.com/jung-kurt/gofpdf", []string{"airwarrant/qualify/worksheet"}, "closed by its author: it stays in one package"},
	{"airwarrant/", "github.com/xuri/excelize", []string{"airwarrant/qualify/recording/sheets"}, "one package knows the workbook library"},
	{"airwarrant/", "github.com/ncruces/go-sqlite3", []string{"airwarrant/functions/internal/store/local"}, "one package knows the database"},
	{"airwarrant/", "github.com/aws/aws-sdk-go-v2", []string{"airwarrant/functions/internal/store/cloud"}, "one package knows the services of the cloud"},
	{"airwarrant/", "github.com/aws/aws-lambda-go", []string{"airwarrant/functions/analyze", "airwarrant/functions/sweep", "airwarrant/functions/internal/gateway", "airwarrant/functions/internal/start"}, "the entry points, and what begins them, alone know what calls them"},
	{"airwarrant/", "github.com/arran4/golang-ical", []string{"airwarrant/web/calendar"}, "one package knows the calendar library"},
	{"airwarrant/", "github.com/klippa-app/go-pdfium", []string{"airwarrant/web"}, "pages of PDF files are pictures for the pages alone"},
	{"airwarrant/", "github.com/tetratelabs/wazero", []string{"airwarrant/web"}, "it runs the reader of PDF files and nothing else"},
	{"airwarrant/web/texts", "airwarrant/", []string{"airwarrant/web/texts"}, "texts know no page and no criteria"},
	{"airwarrant/web/accounts", "airwarrant/rules", nil, "accounts know no criteria"},
	{"airwarrant/web/accounts", "net/http", nil, "accounts know no page"},
	{"airwarrant/", "github.com/coreos/go-oidc", []string{"airwarrant/web/provider"}, "one package knows sign-in providers"},
	{"airwarrant/", "golang.org/x/oauth2", []string{"airwarrant/web/provider"}, "one package knows sign-in providers"},
	{"airwarrant/", "golang.org/x/crypto/xts", []string{"airwarrant/functions/internal/store/local"}, "one package knows how the database is encrypted"},
	{"airwarrant/", "golang.org/x/crypto/argon2", []string{"airwarrant/web/accounts"}, "one package knows passwords"},
	{"airwarrant/", "golang.org/x/text/language", []string{"airwarrant/web/texts"}, "one package knows the languages of the pages"},
	{"airwarrant/", "golang.org/x/text/message", []string{"airwarrant/web/texts"}, "one package knows how languages write figures"},
	{"airwarrant/", "golang.org/x/text/number", []string{"airwarrant/web/texts"}, "one package knows how languages write figures"},
	{"airwarrant/", "golang.org/x/image/tiff", []string{"airwarrant/web"}, "a picture of a page is shown, never read"},
	{"airwarrant/qualify", "log", nil, "a stage does not log"},
	{"airwarrant/qualify", "log/slog", nil, "a stage does not log"},
}

type listed struct {
	ImportPath string
	Imports    []string
	GoFiles    []string
	Dir        string
}

func list(t *testing.T) []listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,GoFiles,Dir", "airwarrant/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var pkgs []listed
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p listed
		if err := dec.Decode(&p); err == io.EOF {
			return pkgs
		} else if err != nil {
			t.Fatal(err)
		}
		pkgs = append(pkgs, p)
	}
}

// under reports whether path is root or lies below it; a root that ends in /
// names everything below it.
func under(path, root string) bool {
	return path == root || strings.HasPrefix(path, strings.TrimSuffix(root, "/")+"/")
}

func excepted(path string, roots []string) bool {
	for _, r := range roots {
		if under(path, r) {
			return true
		}
	}
	return false
}

func TestImportsKeepTheDirectionOfTheArrows(t *testing.T) {
	pkgs := list(t)
	for _, row := range forbidden {
		from, to := false, strings.HasPrefix(row.To, "airwarrant")
		for _, p := range pkgs {
			from = from || under(p.ImportPath, row.From)
			for _, imp := range p.Imports {
				to = to || under(imp, row.To)
				if imp != leaf && under(p.ImportPath, row.From) && under(imp, row.To) && !excepted(p.ImportPath, row.Except) {
					t.Errorf("%s imports %s: %s", p.ImportPath, imp, row.Reason)
				}
			}
		}
		if !from || !to {
			t.Errorf("stale row: nobody is %q, or nobody imports %q any more", row.From, row.To)
		}
	}
}

// TestNoStageReadsTheClock holds the purity of the chain: dates come in as
// arguments.
func TestNoStageReadsTheClock(t *testing.T) {
	seen := 0
	for _, p := range list(t) {
		if !under(p.ImportPath, "airwarrant/qualify") && !under(p.ImportPath, "airwarrant/rules") ||
			under(p.ImportPath, "airwarrant/qualify/casework/storetest") { // a suite of tests, with seeded numbers
			continue
		}
		for _, f := range p.GoFiles {
			seen++
			out, err := exec.Command("grep", "-nE", `time\.(Now|Since|Until)\(|rand\.`, p.Dir+"/"+f).Output()
			if err == nil {
				t.Errorf("%s/%s: %s", p.ImportPath, f, out)
			}
		}
	}
	if seen == 0 {
		t.Fatal("no file was looked at")
	}
}

// TestTaggedTestsAreRun holds the names that the stages of the Makefile select
// by: a test under a build tag whose name lacks the word would never run.
func TestTaggedTestsAreRun(t *testing.T) {
	words := map[string]string{"outside": "Outside", "long": "Long"}
	seen := map[string]int{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && d.Name() != ".." {
			return fs.SkipDir
		}
		if !strings.HasSuffix(path, "_test.go") {
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for tag, word := range words {
			if !strings.HasPrefix(string(data), "//go:build "+tag+"\n") {
				continue
			}
			for _, m := range testName.FindAllStringSubmatch(string(data), -1) {
				seen[tag]++
				if !strings.Contains(m[1], word) && m[1] != "Main" {
					t.Errorf("%s: Test%s carries the build tag %s and not the word %s, so no stage runs it", path, m[1], tag, word)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for tag := range words {
		if seen[tag] == 0 {
			t.Errorf("no test carries the build tag %s", tag)
		}
	}
}

var testName = regexp.MustCompile(`(?m)^func Test(\w+)\(`)
