package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/recording"
	"airwarrant/qualify/recording/sheets"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/web"
	"airwarrant/web/texts"
)

// readFlags are the flags that say how a recording is read.
type readFlags struct {
	zone, columns, interval, hold string
}

func (r *readFlags) add(fs *flag.FlagSet) {
	fs.StringVar(&r.zone, "zone", "", "IANA zone of stamps without an offset")
	fs.StringVar(&r.columns, "columns", "", "roles of the columns of a delimited text")
	fs.StringVar(&r.interval, "interval", "", "nominal interval in seconds")
	fs.StringVar(&r.hold, "hold", "", "longest continuous step in seconds")
}

func (r *readFlags) options() (recording.Options, analysis.Options, error) {
	interval, err := milliseconds("interval", r.interval)
	if err != nil {
		return recording.Options{}, analysis.Options{}, err
	}
	hold, err := milliseconds("hold", r.hold)
	if err != nil {
		return recording.Options{}, analysis.Options{}, err
	}
	return recording.Options{Zone: r.zone, Columns: r.columns, IntervalMS: interval},
		analysis.Options{IntervalMS: interval, HoldMS: hold}, nil
}

// milliseconds reads seconds with at most three decimals, "" as 0.
func milliseconds(name, s string) (int64, error) {
	if s == "" {
		return 0, nil
	}
	r, ok := new(big.Rat).SetString(s)
	if ok {
		r.Mul(r, big.NewRat(1000, 1))
		ok = r.IsInt() && r.Sign() > 0 && r.Num().IsInt64() && r.Num().Int64() <= 86_400_000
	}
	if !ok {
		return 0, fmt.Errorf("--%s: expected seconds between 0.001 and 86400, at most three decimals; found %q", name, s)
	}
	return r.Num().Int64(), nil
}

// load reads a recording named on the command line, - for standard input. At
// most one byte more than the limit is read, so that the reader can refuse it.
func load(name string, e env, opt recording.Options) (qualify.Source, error) {
	in := e.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return qualify.Source{}, status{exitRefused, fmt.Errorf("%w; check the name", err)}
		}
		defer f.Close()
		in = f
		opt.Sibling = func(sibling string) ([]byte, error) {
			// The reader refuses a name with a folder in it before it asks.
			g, err := os.Open(filepath.Join(filepath.Dir(name), filepath.Base(sibling)))
			if err != nil {
				return nil, err
			}
			defer g.Close()
			return io.ReadAll(io.LimitReader(g, recording.DefaultMaxBytes+1))
		}
	}
	data, err := io.ReadAll(io.LimitReader(in, recording.DefaultMaxBytes+1))
	if err != nil {
		return qualify.Source{}, status{exitRefused, fmt.Errorf("reading %s: %w", name, err)}
	}
	return qualify.Source{Name: name, Data: data, Read: opt}, nil
}

func measure(args []string, e env) error {
	fs := flag.NewFlagSet("measure", flag.ContinueOnError)
	var rf readFlags
	rf.add(fs)
	session := fs.Int("session", 0, "session, from 1")
	propose := fs.Bool("propose", false, "tell how the columns would be taken, and read nothing")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return fmt.Errorf("measure: expected one RECORDING, found %d; see airwarrant --help", len(words))
	}
	ro, ao, err := rf.options()
	if err != nil {
		return err
	}
	src, err := load(words[0], e, ro)
	if err != nil {
		return err
	}
	if *propose {
		src.Read.Workbook = sheets.Tables
		p, err := recording.Propose(src.Data, src.Read)
		switch {
		case err != nil:
			return err
		case *asJSON:
			return proposalJSON(e.out, p)
		}
		return printProposal(e.out, p)
	}
	res, err := qualify.Measure(src, *session, ao)
	if err != nil {
		return err
	}
	if *asJSON {
		return res.WriteJSON(e.out)
	}
	return printMeasures(e.out, res)
}

// library returns the embedded criteria, or those of a folder.
func library(dir string) (*rules.Library, error) {
	if dir == "" {
		return rules.Embedded()
	}
	lib, err := rules.Load(os.DirFS(dir))
	if err != nil {
		return nil, status{exitRefused, err}
	}
	return lib, nil
}

// libraryFlags are the flags that say which criteria a command applies.
type libraryFlags struct {
	packs, asKnown string
	store          storeFlags
}

// add adds the flags; those of the store as well, unless the command has it anyway.
func (l *libraryFlags) add(fs *flag.FlagSet) {
	fs.StringVar(&l.packs, "packs", "", "folder of criteria")
	fs.StringVar(&l.asKnown, "as-known-on", "", "day whose knowledge of the criteria is applied")
	l.store.add(fs, true)
}

// stored reports whether a store is named, so that what was published there
// counts too.
func (l *libraryFlags) stored() bool {
	return *l.store.data != "" || *l.store.keyFile != "" || l.store.elsewhere()
}

// read returns the criteria of the program or of --packs, with what was published
// in a store that is named laid over them, as they were known on --as-known-on;
// and the confirmations of that store.
func (l *libraryFlags) read(ctx context.Context) (lib *rules.Library, confirmed map[string]criteria.Confirmations, err error) {
	on := rules.Date{}
	if l.asKnown != "" {
		if on, err = rules.ParseDate(l.asKnown); err != nil {
			return nil, nil, fmt.Errorf("--as-known-on: %w", err)
		}
	}
	if lib, err = library(l.packs); err != nil {
		return nil, nil, err
	}
	if l.stored() {
		store, err := l.store.open(ctx)
		if err != nil {
			return nil, nil, err
		}
		lib, err = editions.New(store, lib, time.Now).Current(ctx)
		if err == nil {
			confirmed, err = editions.Confirmed(ctx, store, lib)
		}
		if err = errors.Join(err, store.Close()); err != nil {
			return nil, nil, status{exitRefused, err}
		}
	}
	if !on.IsZero() {
		lib = lib.AsKnownOn(on)
	}
	return lib, confirmed, nil
}

func check(args []string, e env) error {
	fs := flag.NewFlagSet("check", flag.ContinueOnError)
	var rf readFlags
	rf.add(fs)
	var cf criticalFlags
	cf.add(fs, true)
	regions := fs.String("criteria", "", "regions, comma-separated")
	on := fs.String("on", "", "day whose criteria are applied")
	factsFile := fs.String("facts", "", "facts file")
	sessions := fs.String("session", "", "R:N[,R:N]")
	var lf libraryFlags
	lf.add(fs)
	confirmed := fs.String("confirmed", "", "file of confirmations")
	asJSON := fs.Bool("json", false, "print JSON")
	pdf := fs.String("pdf", "", "write the worksheet as PDF")
	icsFile := fs.String("ics", "", "write the dates that follow as iCalendar")
	tag := fs.String("language", "", "language of the worksheet: en or es")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	ro, ao, err := rf.options()
	if err != nil {
		return err
	}
	lib, stored, err := lf.read(context.Background())
	if err != nil {
		return err
	}
	language, err := languageOf(*tag)
	if err != nil {
		return err
	}
	q := qualify.Query{Analysis: ao, Confirmed: stored}
	if q.Critical, err = cf.setting(); err != nil {
		return err
	}
	if q.Today, q.Received, err = cf.day(); err != nil {
		return err
	}
	q.Listed = q.Received
	if *confirmed != "" {
		if q.Confirmed, err = readConfirmations(*confirmed, lib); err != nil {
			return err
		}
	}
	if q.Criteria, err = regionList(*regions, lib); err != nil {
		return err
	}
	if q.On, err = day(*on); err != nil {
		return err
	}
	if q.Session, err = sessionChoice(*sessions); err != nil {
		return err
	}
	if *icsFile == "-" {
		return fmt.Errorf("check: --ics -: expected the name of a file; standard output carries the result")
	}
	if *pdf == "-" {
		return fmt.Errorf("check: --pdf -: expected the name of a file; standard output carries the result")
	}
	if *factsFile != "" {
		data, err := os.ReadFile(*factsFile)
		if err != nil {
			return fmt.Errorf("--facts: %w; check the name", err)
		}
		if q.Facts, err = criteria.ParseFacts(data, *factsFile); err != nil {
			return err
		}
	}
	for _, w := range words {
		src, err := load(w, e, ro)
		if err != nil {
			return err
		}
		q.Sources = append(q.Sources, src)
	}
	res, err := qualify.Check(q, lib)
	if err != nil {
		return err
	}
	sheets, err := worksheets(q, res, lib, language)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if *asJSON {
		err = res.WriteJSON(&out)
	} else {
		for _, sheet := range sheets {
			if err = sheet.WriteText(&out); err != nil {
				break
			}
			out.WriteByte('\n')
		}
	}
	if err != nil {
		return err
	}
	if *pdf != "" {
		if err := writePDFs(res, sheets, *pdf); err != nil {
			return err
		}
	}
	if *icsFile != "" {
		if err := writeDates(res, *icsFile, e); err != nil {
			return err
		}
	}
	if _, err := e.out.Write(out.Bytes()); err != nil {
		return err
	}
	for _, d := range res.Determinations {
		if d.Outcome == criteria.Undetermined {
			return status{code: exitUndetermined}
		}
	}
	return nil
}

// languageOf is the language of a tag, nil for none: then days are written as
// data have them.
func languageOf(tag string) (*texts.Language, error) {
	if tag == "" {
		return nil, nil
	}
	var tags []string
	for _, l := range texts.Languages {
		if l.Tag == tag {
			return l, nil
		}
		tags = append(tags, l.Tag)
	}
	return nil, fmt.Errorf("--language %s: expected one of %s", tag, strings.Join(tags, ", "))
}

// worksheets lays out each determination of res. In a language of its own each
// set of criteria is applied once more, worded as it is written where the set
// comes from; the data stay as they are.
func worksheets(q qualify.Query, res *qualify.Result, lib *rules.Library, language *texts.Language) ([]*worksheet.Worksheet, error) {
	var out []*worksheet.Worksheet
	for i, region := range q.Criteria {
		from, at := res, i
		if language != nil {
			r, err := lib.Region(region)
			if err != nil {
				return nil, err
			}
			one := q
			one.Criteria, one.Language = []string{region}, web.Wording(language, r)
			if from, err = qualify.Check(one, lib); err != nil {
				return nil, err
			}
			at = 0
		}
		out = append(out, from.Worksheet(at, qualify.Paper{}))
	}
	return out, nil
}

// writePDFs writes one worksheet to name, several beside it with the region
// in front of the suffix.
func writePDFs(res *qualify.Result, sheets []*worksheet.Worksheet, name string) error {
	for i, d := range res.Determinations {
		file := name
		if len(res.Determinations) > 1 {
			ext := filepath.Ext(name)
			file = strings.TrimSuffix(name, ext) + "-" + d.Criteria + ext
		}
		var b bytes.Buffer
		if err := sheets[i].WritePDF(&b, worksheet.PDFOptions{}); err != nil {
			return fmt.Errorf("--pdf: %w", err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
			return fmt.Errorf("--pdf: %w; choose a place that can be written", err)
		}
	}
	return nil
}

// regionList splits --criteria and refuses a region that lib lacks.
func regionList(s string, lib *rules.Library) ([]string, error) {
	if s == "" {
		return nil, fmt.Errorf("--criteria: expected a region such as us-medicare; see airwarrant rules list")
	}
	regions := strings.Split(s, ",")
	for i, r := range regions {
		regions[i] = strings.TrimSpace(r)
		if slices.Contains(regions[:i], regions[i]) {
			return nil, fmt.Errorf("--criteria: %s stands twice; name each region once", regions[i])
		}
		if len(lib.History(regions[i])) == 0 {
			_, err := lib.InForce(regions[i], rules.Date{Year: 2000, Month: 1, Day: 1})
			return nil, err
		}
	}
	return regions, nil
}

func day(s string) (rules.Date, error) {
	if s == "" {
		return rules.Date{}, nil
	}
	d, err := rules.ParseDate(s)
	if err != nil {
		return d, fmt.Errorf("--on: %w", err)
	}
	return d, nil
}

// sessionChoice reads R:N[,R:N]; a bare N is of the first recording.
func sessionChoice(s string) (map[int]int, error) {
	if s == "" {
		return nil, nil
	}
	out := map[int]int{}
	for _, part := range strings.Split(s, ",") {
		r, n, found := strings.Cut(part, ":")
		if !found {
			r, n = "1", part
		}
		rn, err1 := strconv.Atoi(r)
		sn, err2 := strconv.Atoi(n)
		if err1 != nil || err2 != nil || rn < 1 || sn < 1 {
			return nil, fmt.Errorf("--session: expected R:N, recording and session from 1; found %q", part)
		}
		out[rn] = sn
	}
	return out, nil
}

// found is a file below a folder, or why the file or folder there cannot be
// read.
type found struct {
	path string
	err  error
}

// sortedFiles lists the files below dir by path, hidden ones left out. What is
// no regular file is listed with its fault and never opened: a link may lead
// out of the folder, and a pipe never ends.
func sortedFiles(dir string) ([]found, error) {
	if info, err := os.Stat(dir); err != nil {
		return nil, err
	} else if !info.IsDir() {
		return nil, fmt.Errorf("%s: expected a folder; found a file", dir)
	}
	var out []found
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		switch {
		case err != nil && path == dir:
			return err
		case err != nil:
			out = append(out, found{path, fmt.Errorf("%w; let the folder be read, or take it away", err)})
			return filepath.SkipDir
		}
		if d.Name() != "." && strings.HasPrefix(d.Name(), ".") && path != dir {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		switch {
		case d.Type().IsRegular():
			out = append(out, found{path: path})
		case !d.IsDir():
			out = append(out, found{path, fmt.Errorf("expected a file; found a link, a pipe or a device; put the recording itself into the folder")})
		}
		return nil
	})
	slices.SortFunc(out, func(a, b found) int { return strings.Compare(a.path, b.path) })
	return out, err
}
