package server

import (
	"benchyard/jobs"
	"benchyard/server/api"
)

// CampaignsToWire returns campaigns as they go over the network and out of the
// command line, each with its estimated end.
func CampaignsToWire(campaigns []jobs.CampaignSummary, forecast jobs.Forecast) []api.Campaign {
	list := make([]api.Campaign, 0, len(campaigns))
	for _, c := range campaigns {
		list = append(list, campaignToWire(c, forecast))
	}
	return list
}

// RunsToWire returns runs as they go over the network and out of the command line.
func RunsToWire(runs []jobs.RunSummary) []api.Run {
	list := make([]api.Run, 0, len(runs))
	for _, r := range runs {
		list = append(list, runToWire(r))
	}
	return list
}
