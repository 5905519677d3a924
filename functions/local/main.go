// Command airwarrant runs the whole program on one machine: the pages on an
// embedded store, and the command line.
//
// Without a word it serves. Each command's exit status is part of its
// contract: measure 0 read, 2 refused; check 0 a determination was reached,
// 3 undetermined, 2 refused or no criteria in force; rules check and audit
// verify 2 on a fault; replay 0 when every case got its line, 2 on a fault of
// the draft; a wrong flag, an unknown region, fact or command 1 with nothing on
// standard output.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	_ "time/tzdata" // zones of recordings must not depend on the machine

	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// The exit statuses of the contract.
const (
	exitOK           = 0
	exitUsage        = 1
	exitRefused      = 2
	exitUndetermined = 3
)

const usage = `airwarrant: does this oximetry test meet the written criteria for oxygen at home?

  airwarrant [serve] [--addr 127.0.0.1:8080] [--data DIR] [--key-file FILE] [--packs DIR] [--critical PERCENT|off] [--host NAME[,NAME...]] [--provider FILE]
             [--criteria REGION] [--retention DAYS]
  airwarrant serve --demo [--addr 127.0.0.1:8080] [--data DIR] [--packs DIR] [--critical PERCENT|off]
  airwarrant accounts add NAME --role ROLE[,ROLE...] [--office NAME] | list | roles NAME --role ROLE[,ROLE...]
             | disable NAME | enable NAME | reset NAME   [--data DIR] [--json]
  airwarrant measure RECORDING [--zone Area/City] [--columns MAP] [--interval S] [--hold S] [--session N] [--json]
  airwarrant measure RECORDING --propose [--zone Area/City] [--columns MAP] [--json]
  airwarrant check [RECORDING...] --criteria REGION[,REGION...] [--on DATE] [--as-known-on DATE]
             [--facts FILE] [--session R:N] [--zone Area/City] [--columns MAP] [--interval S] [--hold S] [--confirmed FILE]
             [--critical PERCENT|off] [--today DATE] [--json] [--pdf FILE] [--ics FILE] [--language en|es]
  airwarrant batch FOLDER --criteria REGION [--facts TABLE] [--confirmed FILE] [--critical PERCENT|off] [--today DATE]
             [--csv FILE] [--json]
  airwarrant rules list | facts | check [DIR]   [--json]
  airwarrant rules export DIR | import DIR | due   [--json]
             (the criteria that count, as a folder; drafts of a folder, which two people still have to agree to; documents to look up)
  airwarrant rules for [--country CODE] [--subdivision CODE] [--payer WORD[,WORD...]] [--birth DATE] [--on DATE] [--json]
             (which criteria apply to a patient, and why; codes of ISO 3166-1 and 3166-2, such as US and US-NC)
  airwarrant rules show REGION[@DATE] [--confirmed FILE] [--json] | show REGION[@DATE] --blank [--pdf FILE] [--language en|es]
  airwarrant rules compare REGION[@DATE] REGION[@DATE] [--json]
             (list, show and compare take --as-known-on DATE: without what this house came to know later)
  airwarrant rules confirm REGION[@DATE] CLAUSE --by NAME --edition TEXT --document FILE --confirmed FILE [--on DATE]
  airwarrant replay --draft FILE [--criteria REGION] [--data DIR] [--packs DIR] [--csv FILE] [--resume] [--json]
  airwarrant audit verify | audit criteria | backup FILE | restore FILE [--backup-key-file FILE]   [--data DIR] [--key-file FILE] [--json]
  airwarrant key FILE   [--json]
  airwarrant move --to cloud|local --table NAME --bucket NAME [--data DIR] [--json]

ROLE is intake, maintainer or administrator, or office alone, with --office NAME. --host NAME is a name under which a
proxy on this machine serves the pages over HTTPS. --provider FILE holds the settings of an OpenID Connect provider as
JSON: issuer, client_id, client_secret, address, roles (group: role), and if need be name, scopes, groups_claim, name_claim.
--key-file FILE names the key of an encrypted store, which airwarrant key FILE writes, with every command on a store.
A new store is encrypted where it is given; an existing one by backup and restore --key-file into another folder.
--table and --bucket name a store without a server, in place of --data with accounts, replay, audit, check, batch and rules
too; region and credentials are those of the environment.
--retention DAYS destroys, once a day, what is personal in cases that were closed longer ago; their chains can still be verified.
check, batch and rules apply what was published in a store, and the drafts confirmed there, if one is named with --data.
RECORDING may be - for standard input. --packs DIR uses the criteria in DIR in place of those of the program.
--language words the worksheet in English or Spanish, days and decimals as written where the criteria come from; JSON stays
as it is.
--critical sets at which saturation the treating practitioner is to be told now (80 unless set).
--confirmed FILE holds who has read which draft in its document, as rules confirm writes it.
The program is neither a test nor an order, and no guarantee of coverage.
`

func main() {
	os.Exit(run(os.Args[1:], env{os.Stdin, os.Stdout, os.Stderr}))
}

// env is what a command may touch of the process.
type env struct {
	in       io.Reader
	out, err io.Writer
}

// run carries out one command line and returns its exit status. A panic is
// told in one line, with the place for whoever mends it, and exits 1.
func run(args []string, e env) (code int) {
	defer func() {
		if r := recover(); r != nil {
			fmt.Fprintf(e.err, "airwarrant: a fault of the program, not of your files: %v\n%s", r, debug.Stack())
			code = exitUsage
		}
	}()
	if len(args) == 0 || args[0] != "-" && len(args[0]) > 1 && args[0][0] == '-' && args[0] != "--help" && args[0] != "-h" {
		args = append([]string{"serve"}, args...)
	}
	commands := map[string]func([]string, env) error{
		"serve": serve, "measure": measure, "check": check, "batch": batchCommand, "rules": rulesCommand,
		"replay": replay, "accounts": accountsCommand, "audit": audit, "backup": backup, "restore": restore, "move": moveCommand, "key": newKey,
	}
	switch args[0] {
	case "help", "--help", "-h":
		fmt.Fprint(e.out, usage)
		return exitOK
	}
	cmd, ok := commands[args[0]]
	if !ok {
		fmt.Fprintf(e.err, "airwarrant: command %q: expected one of serve, accounts, measure, check, batch, rules, replay, audit, backup, restore, move, key\n\n%s", args[0], usage)
		return exitUsage
	}
	err := cmd(args[1:], e)
	var st status
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(e.out, usage)
		return exitOK
	case errors.As(err, &st):
		if st.err != nil {
			fmt.Fprintf(e.err, "airwarrant: %v\n", st.err)
		}
		return st.code
	case errors.Is(err, recording.ErrFormat), errors.Is(err, recording.ErrTooLarge),
		errors.Is(err, recording.ErrNoSpO2), errors.Is(err, recording.ErrAmbiguous),
		errors.Is(err, rules.ErrNoPackInForce):
		fmt.Fprintf(e.err, "airwarrant: %v\n", err)
		return exitRefused
	}
	fmt.Fprintf(e.err, "airwarrant: %v\n", err)
	return exitUsage
}

// status ends a command with an exit status of its own; err is told if it is
// not nil.
type status struct {
	code int
	err  error
}

func (s status) Error() string {
	if s.err == nil {
		return fmt.Sprintf("exit status %d", s.code)
	}
	return s.err.Error()
}

func (s status) Unwrap() error { return s.err }

// parse reads flags that may stand before, between and after the plain words,
// and returns the words. A single - is a word.
func parse(fs *flag.FlagSet, args []string) ([]string, error) {
	fs.SetOutput(io.Discard)
	fs.Usage = func() {}
	var words []string
	for {
		if err := fs.Parse(args); err != nil {
			return nil, fmt.Errorf("%s: %w; see airwarrant --help", fs.Name(), err)
		}
		args = fs.Args()
		if len(args) == 0 {
			return words, nil
		}
		words = append(words, args[0])
		args = args[1:]
	}
}
