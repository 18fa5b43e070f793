// Package api is what a Benchyard server says over the network: the wire types,
// the OpenAPI document that describes them, and a typed client.
//
// The concept on one screen:
//
//	openapi.yaml   the contract, one document for people and programs
//	Limit          one requirement: core value and test tolerance apart
//	Result         one judged figure with its limit, margin, verdict and conditions
//	Bench, Campaign, Run, Case, Yield    the state of the lab
//	Problem        every refusal, per RFC 9457
//	Client         the same calls as methods; the command line uses it
//
// Conventions: frequencies and bandwidths are hertz and end in _hz; a level, a
// ratio and a margin stand in the unit named beside them; a time is RFC 3339
// with its offset; an unknown figure is null, never zero. The package imports
// neither the server nor the queue, so that a program can use it alone.
package api
