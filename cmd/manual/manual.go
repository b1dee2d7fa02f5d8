// Package manual writes a program's manual page from its commands, so that the
// page says what the program does.
package manual

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Command is a hidden command that prints the page of the program it is added to.
func Command() *cobra.Command {
	return &cobra.Command{Use: "manual", Short: "Print the manual page", Hidden: true, Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := io.WriteString(cmd.OutOrStdout(), Page(cmd.Root()))
			return err
		}}
}

// Page is the manual page of a program with all its commands, for man.
func Page(root *cobra.Command) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH %s 1\n.SH NAME\n%s \\- %s\n.SH SYNOPSIS\n.B %s\nCOMMAND [FLAGS]\n",
		strings.ToUpper(root.Name()), root.Name(), roff(root.Short), root.Name())
	if root.Long != "" {
		fmt.Fprintf(&b, ".SH DESCRIPTION\n%s\n", paragraphs(root.Long))
	}
	b.WriteString(".SH COMMANDS\n")
	commands(&b, root)
	return b.String()
}

func commands(b *strings.Builder, of *cobra.Command) {
	for _, c := range of.Commands() {
		if !c.IsAvailableCommand() || c.Name() == "help" {
			continue
		}
		if c.HasAvailableSubCommands() {
			commands(b, c)
			continue
		}
		text := c.Long
		if text == "" {
			text = c.Short
		}
		fmt.Fprintf(b, ".SS %s\n%s\n", roff(c.UseLine()), paragraphs(text))
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if f.Hidden || f.Name == "help" {
				return
			}
			fmt.Fprintf(b, ".TP\n.B \\-\\-%s", roff(f.Name))
			if f.DefValue != "" && f.DefValue != "[]" {
				fmt.Fprintf(b, " (%s)", roff(f.DefValue))
			}
			fmt.Fprintf(b, "\n%s\n", roff(f.Usage))
		})
		if c.Example != "" {
			fmt.Fprintf(b, ".PP\n.nf\n%s\n.fi\n", roff(c.Example))
		}
	}
}

func paragraphs(text string) string {
	return strings.ReplaceAll(roff(text), "\n\n", "\n.PP\n")
}

// roff keeps man from reading text as its own words.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(strings.TrimSpace(text))
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}
