package storefront

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Shelf keeps, in a folder, the catalogues that a shop saw last, so that it
// can write an order down while the link is dead.
type Shelf struct{ dir string }

// ShelfAt returns the shelf in a folder, which need not exist yet.
func ShelfAt(dir string) *Shelf { return &Shelf{dir} }

// Seen is a catalogue as it was at an instant.
type Seen struct {
	At    time.Time
	Night civil.Date // that it was asked for
	*v1.GetCatalogResponse
}

type seen struct {
	At      time.Time       `json:"at"`
	Night   civil.Date      `json:"night"`
	Message json.RawMessage `json:"message"`
}

// Keep keeps a shop's whole catalogue in the place of the one that was seen
// for a night of the same weekday. kitchen and shop are ids of the contract.
func (s *Shelf) Keep(at time.Time, kitchen, shop string, night civil.Date, m *v1.GetCatalogResponse) error {
	kept, err := s.read(kitchen, shop)
	if err != nil {
		kept = nil // it cannot be read: this one takes its place
	}
	text, err := protojson.Marshal(m)
	if err != nil {
		return err
	}
	all := []seen{{at.UTC(), night, text}}
	for _, k := range kept {
		if k.Night.Weekday() != night.Weekday() {
			all = append(all, k)
		}
	}
	if text, err = json.Marshal(all); err != nil {
		return err
	}
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return err
	}
	// Losing it in a power cut costs a look at the service, so that a rename is enough.
	path := s.file(kitchen, shop)
	if err := os.WriteFile(path+".new", text, 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// Find returns what was seen last for a night of the same weekday, or for any
// night where there is none. Its error is os.ErrNotExist when nothing was seen.
func (s *Shelf) Find(kitchen, shop string, night civil.Date) (Seen, error) {
	kept, err := s.read(kitchen, shop)
	if err != nil {
		return Seen{}, err
	}
	var best *seen
	for i, k := range kept {
		same := k.Night.Weekday() == night.Weekday()
		if same {
			best = &kept[i]
			break
		}
		if best == nil || k.At.After(best.At) {
			best = &kept[i]
		}
	}
	if best == nil {
		return Seen{}, os.ErrNotExist
	}
	m := &v1.GetCatalogResponse{}
	if err := protojson.Unmarshal(best.Message, m); err != nil {
		return Seen{}, fmt.Errorf("%s cannot be read: %w", s.file(kitchen, shop), err)
	}
	return Seen{best.At, best.Night, m}, nil
}

func (s *Shelf) read(kitchen, shop string) ([]seen, error) {
	text, err := os.ReadFile(s.file(kitchen, shop))
	if errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	if err != nil {
		return nil, fmt.Errorf("what was seen last cannot be read: %w", err)
	}
	var kept []seen
	if err := json.Unmarshal(text, &kept); err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", s.file(kitchen, shop), err)
	}
	return kept, nil
}

func (s *Shelf) file(kitchen, shop string) string {
	return filepath.Join(s.dir, "catalog-"+filepath.Base(kitchen)+"-"+filepath.Base(shop)+".json")
}
