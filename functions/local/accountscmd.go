package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

const accountsUsage = "accounts add NAME --role ROLE[,ROLE...] [--office NAME] | list | roles NAME --role ... | disable NAME | enable NAME | reset NAME"

// accountLine is one account as accounts list --json prints it.
type accountLine struct {
	Name       string          `json:"name"`
	Roles      []casework.Role `json:"roles"`
	Office     string          `json:"office,omitempty"`
	Disabled   bool            `json:"disabled"`
	MustChange bool            `json:"must_change"`
	// Provider is the issuer that vouches for it, "" with a password here.
	Provider string `json:"provider,omitempty"`
}

// accountsCommand makes and changes accounts on the store of this machine. It
// is the way to the first one; the pages of the administrator do the rest
// while the program serves.
func accountsCommand(args []string, e env) (err error) {
	fs := flag.NewFlagSet("accounts", flag.ContinueOnError)
	var sf storeFlags
	sf.add(fs, true)
	asJSON := fs.Bool("json", false, "print JSON")
	role := fs.String("role", "", "roles, separated by commas")
	office := fs.String("office", "", "the physician's office of the role office")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) == 0 {
		return fmt.Errorf("accounts: expected %s", accountsUsage)
	}
	do, rest := words[0], words[1:]
	want := map[string]int{"add": 1, "list": 0, "roles": 1, "disable": 1, "enable": 1, "reset": 1}
	n, known := want[do]
	if !known || len(rest) != n {
		return fmt.Errorf("accounts %s: expected %s; a name of several words stands in quotes", strings.Join(words, " "), accountsUsage)
	}
	given := do == "add" || do == "roles"
	if given != (*role != "") || !given && *office != "" {
		return fmt.Errorf("accounts %s: expected --role with add and roles, and with nothing else; see airwarrant --help", do)
	}
	store, err := sf.openFor(context.Background(), do == "add") // the first account may come before everything else
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	book := accounts.New(store, time.Now, rand.Reader)
	c := accountsCall{ctx: context.Background(), book: book, out: e.out, asJSON: *asJSON,
		st: casework.Stamp{At: time.Now(), By: "the command line", Role: casework.RoleSystem}}
	if *role != "" {
		for _, r := range strings.Split(*role, ",") {
			c.roles = append(c.roles, casework.Role(strings.TrimSpace(r)))
		}
	}
	c.office = *office
	switch do {
	case "list":
		return c.list()
	case "add":
		return c.add(rest[0])
	}
	return c.change(do, rest[0])
}

type accountsCall struct {
	ctx    context.Context
	book   *accounts.Book
	st     casework.Stamp
	roles  []casework.Role
	office string
	out    io.Writer
	asJSON bool
}

func (c accountsCall) list() error {
	all, err := c.book.Accounts(c.ctx)
	if err != nil {
		return err
	}
	lines := []accountLine{}
	for _, a := range all {
		lines = append(lines, accountLine{a.Name, a.Roles, a.Office, a.Disabled, a.MustChange, a.Issuer})
	}
	if c.asJSON {
		return writeJSON(c.out, lines)
	}
	for _, l := range lines {
		var more []string
		if l.Office != "" {
			more = append(more, "at "+l.Office)
		}
		if l.Disabled {
			more = append(more, "disabled")
		}
		if l.MustChange {
			more = append(more, "first password")
		}
		if l.Provider != "" {
			more = append(more, "by "+l.Provider)
		}
		var roles []string
		for _, r := range l.Roles {
			roles = append(roles, string(r))
		}
		fmt.Fprintln(c.out, strings.Join(append([]string{l.Name, strings.Join(roles, ", ")}, more...), "; "))
	}
	if len(lines) == 0 {
		fmt.Fprintln(c.out, "no account yet")
	}
	return nil
}

func (c accountsCall) add(name string) error {
	a, word, err := c.book.Make(c.ctx, c.st, name, c.roles, c.office)
	if err != nil {
		return c.worded(err)
	}
	return c.tell(a.Name, word)
}

// tell prints a first password, which is kept nowhere.
func (c accountsCall) tell(name, word string) error {
	if c.asJSON {
		return writeJSON(c.out, struct {
			Name     string `json:"name"`
			Password string `json:"first_password"`
		}{name, word})
	}
	_, err := fmt.Fprintf(c.out, "first password of %s, shown this once: %s\nIt can be used for a week and has to be changed at the first sign-in.\n", name, word)
	return err
}

func (c accountsCall) change(do, name string) error {
	a, err := c.book.Named(c.ctx, name)
	if err != nil {
		return fmt.Errorf("accounts: %q: %w; accounts list shows them, and those of a provider are changed on the pages", name, err)
	}
	switch do {
	case "reset":
		word, err := c.book.Reset(c.ctx, c.st, a.ID)
		if err != nil {
			return c.worded(err)
		}
		return c.tell(a.Name, word)
	case "roles":
		err = c.book.Give(c.ctx, c.st, a.ID, c.roles, c.office)
	case "disable":
		err = c.book.Disable(c.ctx, c.st, a.ID)
	case "enable":
		err = c.book.Enable(c.ctx, c.st, a.ID)
	}
	if err != nil {
		return c.worded(err)
	}
	return c.list()
}

// worded names the flag or word that a fault is about.
func (c accountsCall) worded(err error) error {
	var form *accounts.FormError
	if errors.As(err, &form) {
		flag := map[string]string{"name": "NAME", "roles": "--role", "office": "--office"}[form.Field]
		return fmt.Errorf("accounts: %s: %s", flag, form.Say)
	}
	return fmt.Errorf("accounts: %w", err)
}
