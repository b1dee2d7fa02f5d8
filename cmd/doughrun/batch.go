package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func batchCommand() *cobra.Command {
	return group("batch", "List posted batches, print their sheets, record what is done with them",
		listBatchesCommand(), sheetCommand(), startBatchCommand(), finishBatchCommand())
}

func listBatchesCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List the batches that a night's plan posted", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m := &v1.ListBatchesResponse{}
		m.Batches, err = all(func(token string) ([]*v1.Batch, string, error) {
			page, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ListBatches, &v1.ListBatchesRequest{Night: name, PageToken: token})
			return page.GetBatches(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Batches(c.GetSite(), m.GetBatches()), err
		})
	})
	return cmd
}

func (j *job) batch(id string) (*v1.GetBatchResponse, error) {
	return ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.GetBatch, &v1.GetBatchRequest{Name: wire.BatchName(j.settings.Kitchen, id)})
}

func sheetCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "sheet BATCH",
		Short: "Print the sheet that a batch is made from",
		Args:  cobra.ExactArgs(1),
		RunE: act(func(j *job, args []string) error {
			m, err := j.batch(args[0])
			if err != nil {
				return err
			}
			return j.show(m, func() (string, error) { return sheet.Batch(m.GetBatch(), m.GetSheet()), nil })
		}),
	}
}

// record makes a command that moves one batch on.
func record(use, short string, send func(j *job, name, etag, id string) error) *cobra.Command {
	cmd := &cobra.Command{Use: use + " BATCH", Short: short, Args: cobra.ExactArgs(1)}
	etag := cmd.Flags().String("etag", "", "etag of the batch as last read; the one in force when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		newest := ""
		if *etag == "" {
			now, err := j.batch(args[0])
			if err != nil {
				return err
			}
			newest = now.GetBatch().GetEtag()
		}
		tag := j.etag(*etag, newest)
		request, err := j.request(*id)
		if err != nil {
			return err
		}
		return send(j, wire.BatchName(j.settings.Kitchen, args[0]), tag, request)
	})
	return cmd
}

func startBatchCommand() *cobra.Command {
	return record("start", "Record that a batch is being mixed", func(j *job, name, etag, id string) error {
		m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.StartBatch, &v1.StartBatchRequest{Name: name, Etag: etag, RequestId: id})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Finished(c.GetSite(), m.GetBatch(), nil), err
		})
	})
}

func finishBatchCommand() *cobra.Command {
	return record("finish", "Record that a batch came out as planned: its lots are made", func(j *job, name, etag, id string) error {
		m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.FinishBatch, &v1.FinishBatchRequest{Name: name, Etag: etag, RequestId: id})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Finished(c.GetSite(), m.GetBatch(), m.GetLots()), err
		})
	})
}
