package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/storefront"
)

// narrow is how many columns the talk at the counter takes.
const narrow = 40

// folded breaks a text into lines of forty columns.
func folded(indent, text string) string {
	var b strings.Builder
	line := indent
	for _, w := range strings.Fields(text) {
		if line != indent && len([]rune(line))+1+len([]rune(w)) > narrow {
			b.WriteString(line + "\n")
			line = indent
		}
		if line != indent {
			line += " "
		}
		line += w
	}
	return b.String() + line
}

// counter is the talk with whoever closes the shop, line by line.
type counter struct {
	*job
	lines *bufio.Scanner
	echo  bool             // nobody types, so the answers are shown
	away  bool             // there is no link
	left  map[string]int64 // pieces counted of each item; nil before the count
}

// typed reports whether answers are typed on a terminal, which shows them itself.
func (j *job) typed() bool {
	f, ok := j.in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func (c *counter) say(format string, args ...any) { fmt.Fprintf(c.talk, format+"\n", args...) }

// ask prompts until read takes the answer.
func (c *counter) ask(prompt string, read func(answer string) error) error {
	for {
		fmt.Fprint(c.talk, prompt+" ")
		if !c.lines.Scan() {
			fmt.Fprintln(c.talk)
			return commissary.Refuse(commissary.Invalid, "INPUT_ENDED", "the answers ended; nothing was sent")
		}
		if c.echo {
			fmt.Fprintln(c.talk, c.lines.Text())
		}
		err := read(strings.TrimSpace(c.lines.Text()))
		if err == nil {
			return nil
		}
		if errors.Is(err, errAsked) {
			continue
		}
		c.say("%s", folded("  ", err.Error()))
	}
}

// errAsked is the answer of somebody who asked something back.
var errAsked = errors.New("asked back")

// orEnter takes Enter as an answer too, which changes nothing.
func orEnter(read func(string) error) func(string) error {
	return func(answer string) error {
		if answer == "" {
			return nil
		}
		return read(answer)
	}
}

// yesNo reads a yes or a no.
func yesNo(yes *bool) func(string) error {
	return func(answer string) error {
		switch strings.ToLower(answer) {
		case "y", "yes":
			*yes = true
		case "n", "no":
		default:
			return fmt.Errorf("write yes or no")
		}
		return nil
	}
}

// piecesIn reads a quantity to order.
func piecesIn(answer string, perBox int64, night civil.Date) (n int64, err error) {
	heaps, err := storefront.ReadCount(answer, perBox, night)
	if err != nil {
		return 0, err
	}
	for _, h := range heaps {
		if !h.Made.IsZero() {
			return 0, fmt.Errorf("an order names no day label; write the number, for example 48 or 6 boxes")
		}
		n += h.Pieces
	}
	return n, nil
}

// ago says how long ago something was.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

func boxes(n int64) string {
	if n == 1 {
		return "1 box"
	}
	return fmt.Sprint(n, " boxes")
}
