package api

import "fmt"

// Problem is a refusal per RFC 9457, media type application/problem+json.
type Problem struct {
	Type   string   `json:"type"`   // "about:blank" or a name of ours
	Title  string   `json:"title"`  // the kind of problem
	Status int      `json:"status"` // HTTP status
	Detail string   `json:"detail"` // what happened, where, what to do next
	Errors []string `json:"errors,omitempty"`
}

// Error makes a problem an error of the client that received it.
func (p *Problem) Error() string {
	if p.Detail == "" {
		return fmt.Sprintf("api: server answered %d %s", p.Status, p.Title)
	}
	return fmt.Sprintf("api: server answered %d: %s", p.Status, p.Detail)
}

// ProblemType is the media type of a Problem.
const ProblemType = "application/problem+json"
