package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/ferment"
	"doughrun/commissary/safety"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func kitchenCommand() *cobra.Command {
	return group("kitchen", "Check, adopt and show the kitchen book",
		checkBookCommand(), adoptBookCommand(), showBookCommand())
}

func checkBookCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE",
		Short: "Say what is wrong with a kitchen book, without a server",
		Args:  cobra.ExactArgs(1),
		RunE: act(func(j *job, args []string) error {
			text, err := j.readBook(args[0])
			if err != nil {
				return err
			}
			b, err := wholeBook(args[0], text)
			if err != nil {
				return err
			}
			fmt.Fprintf(j.talk, "doughrun: %s is a whole kitchen book\n", args[0])
			m := wire.For(b).Catalogue()
			return j.show(m, func() (string, error) { return sheet.Book(m, nil), nil })
		}),
	}
}

// readBook reads a kitchen book with the ways that stand in a file beside it.
func (j *job) readBook(file string) ([]byte, error) {
	text, err := j.read(file)
	if err != nil {
		return nil, err
	}
	return book.WithWays(text, func(name string) ([]byte, error) {
		if file != "-" && !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(file), name)
		}
		return j.read(name)
	})
}

// wholeBook reads a kitchen book with every rule that it is adopted by.
func wholeBook(file string, text []byte) (commissary.Book, error) {
	return book.Read(file, text, safety.Judge, ferment.Judge)
}

func adoptBookCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "adopt FILE",
		Short: "Make a file the next revision of the kitchen book",
		Args:  cobra.ExactArgs(1),
	}
	etag := cmd.Flags().String("etag", "", "etag of the revision the file was written from; the newest when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		text, err := j.readBook(args[0])
		if err != nil {
			return err
		}
		// Faults are told with the file's own name, and before anything is sent.
		if _, err := wholeBook(args[0], text); err != nil {
			return err
		}
		req := &v1.AdoptBookRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), Source: text, FileName: args[0]}
		newest := ""
		if *etag == "" {
			switch now, err := j.book(); status.Code(err) {
			case codes.OK:
				newest = now.GetRevision().GetEtag()
			case codes.NotFound: // the first one
			default:
				return err
			}
		}
		req.Etag = j.etag(*etag, newest)
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewKitchenServiceClient, v1.KitchenServiceClient.AdoptBook, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			return fmt.Sprintf("%s is revision %d of the book of kitchen %s\n", args[0], m.GetRevision().GetRevision(), j.settings.Kitchen), nil
		})
	})
	return cmd
}

func showBookCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show the kitchen book in short", Args: cobra.NoArgs}
	revision := revisionFlag(cmd)
	source := cmd.Flags().Bool("source", false, "write the book itself, byte for byte as it was adopted")
	cmd.RunE = act(func(j *job, _ []string) error {
		m, err := ask(j, v1.NewKitchenServiceClient, v1.KitchenServiceClient.GetBook, &v1.GetBookRequest{Name: wire.BookName(j.settings.Kitchen, *revision)})
		if err != nil {
			return err
		}
		if *source {
			return j.write(m.GetSource())
		}
		return j.show(m, func() (string, error) { return sheet.Book(m.GetCatalogue(), m.GetRevision()), nil })
	})
	return cmd
}
