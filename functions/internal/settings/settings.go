// Package settings reads what a function without a server is told by its
// environment.
//
// Call Read with the name of the function and os.Getenv. Names lists what each
// function is told; the template sets exactly that, which its test proves.
package settings

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"time"

	"airwarrant/functions/internal/store/cloud"
	"airwarrant/web"
	"airwarrant/web/accounts"
)

// The names in the environment.
const (
	Table     = "AIRWARRANT_TABLE"          // name of the table
	Bucket    = "AIRWARRANT_BUCKET"         // name of the bucket
	Host      = "AIRWARRANT_HOST"           // name under which the pages are served
	Provider  = "AIRWARRANT_PROVIDER"       // name of the secret that holds the settings of the sign-in provider; may be empty
	Region    = "AIRWARRANT_REGION"         // region of the criteria that the form of a new case begins with; may be empty
	Retention = "AIRWARRANT_RETENTION_DAYS" // days that a closed case is kept; 0 for as long as it is wanted
)

// Names are what each function is told.
var Names = map[string][]string{
	"api":     {Table, Bucket, Host, Provider, Region},
	"analyze": {Table, Bucket, Host},
	"sweep":   {Table, Bucket, Retention},
}

// Settings are what a function was told.
type Settings struct {
	Cloud     cloud.Settings
	Host      string
	Provider  string
	Region    string
	Retention time.Duration // 0 for no end
}

// sessionNotesLast is longer than any session of a browser does.
const sessionNotesLast = 2 * accounts.SessionLasts

// Cloud names a store without a server and says how long its notes last.
func Cloud(table, bucket string) cloud.Settings {
	return cloud.Settings{Table: table, Bucket: bucket, Last: map[string]time.Duration{
		accounts.SessionNotes: sessionNotesLast, web.TicketNotes: web.TicketLasts, web.TicketLists: web.TicketLasts,
	}}
}

// Read reads the settings of a function. The error names every one that is
// missing or wrong.
func Read(function string, getenv func(string) string) (Settings, error) {
	names, ok := Names[function]
	if !ok {
		return Settings{}, fmt.Errorf("settings: no function is named %q", function)
	}
	s := Settings{Cloud: Cloud("", "")}
	var faults []error
	for _, name := range names {
		value := strings.TrimSpace(getenv(name))
		if value == "" && name != Provider && name != Region {
			faults = append(faults, fmt.Errorf("%s: expected a value, found none; deploy template.yaml, which sets it", name))
			continue
		}
		switch name {
		case Table:
			s.Cloud.Table = value
		case Bucket:
			s.Cloud.Bucket = value
		case Host:
			if s.Host = value; strings.ContainsAny(value, " :/") {
				faults = append(faults, fmt.Errorf("%s: expected a name such as oxygen.example.org, found %q", name, value))
			}
		case Provider:
			s.Provider = value
		case Region:
			s.Region = value
		case Retention:
			days, err := strconv.Atoi(value)
			if err != nil || days < 0 || days > 36500 {
				faults = append(faults, fmt.Errorf("%s: expected days from 0 to 36500, found %q", name, value))
			}
			s.Retention = time.Duration(days) * 24 * time.Hour
		}
	}
	return s, errors.Join(faults...)
}

// Log returns the log of a function: one line of JSON for each entry, each
// with the function's name and that of the request that it is of.
func Log(function string) *slog.Logger {
	return slog.New(web.LogHandler(slog.NewJSONHandler(os.Stderr, nil))).With("function", function)
}
