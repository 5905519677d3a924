package main

import (
	"flag"
	"fmt"
	"math/big"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// criticalFlags set the limit of the alert on critically low readings.
type criticalFlags struct{ limit, today string }

func (c *criticalFlags) add(fs *flag.FlagSet, dated bool) {
	fs.StringVar(&c.limit, "critical", "", "saturation in percent at or below which the treating practitioner is to be told now, or off")
	if dated {
		fs.StringVar(&c.today, "today", "", "day on which it is asked: a test's age is counted from it, and no test is of a later day")
	}
}

// day is the day that --today says, else the one that the clock shows. Only what
// was said is the day on which the tests came to hand: a wrong clock must not
// keep every case from being determined.
func (c *criticalFlags) day() (today, received rules.Date, err error) {
	if c.today != "" {
		if received, err = rules.ParseDate(c.today); err != nil {
			err = fmt.Errorf("--today: %w", err)
		}
		return received, received, err
	}
	now := time.Now()
	return rules.Date{Year: now.Year(), Month: int(now.Month()), Day: now.Day()}, rules.Date{}, nil
}

// setting is the limit asked for; without a flag the house's default, its age
// counted from the day.
func (c *criticalFlags) setting() (*worksheet.CriticalLimit, error) {
	today, _, err := c.day()
	if err != nil {
		return nil, err
	}
	out := qualify.Critical()
	switch c.limit {
	case "":
	case "off":
		return &worksheet.CriticalLimit{}, nil
	default:
		x, ok := new(big.Rat).SetString(c.limit)
		if !ok || x.Cmp(big.NewRat(50, 1)) < 0 || x.Cmp(big.NewRat(100, 1)) >= 0 {
			return nil, fmt.Errorf("--critical: expected off or percent from 50 to below 100, such as 80; found %q", c.limit)
		}
		out.AtOrBelow, out.Source = x, "set by this house, apart from every payer's figure"
	}
	out.Today = today
	return out, nil
}
