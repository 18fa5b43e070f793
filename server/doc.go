// Package server shows the lab to people and programs over HTTP. It reads what
// the queue and the results store hold, and changes nothing but through them.
//
// The concept on one screen:
//
//	/                    bench board
//	/queue               what waits, and which units to mount next
//	/campaigns, /campaigns/{id}, /runs/{id}, /cases/{id}, /yield    pages
//	/events/...          one stream per page: fragments rendered anew when the outbox grows
//	/api/v1/...          the same things as JSON (server/api holds types and contract)
//
// Every noun has one file with its page, its JSON and its conversion to the
// wire. Pages are rendered from wire types, so that page and API cannot
// disagree. Errors meet HTTP in one table (errors.go). There are no accounts:
// whoever reaches the port reads everything, and state changes are refused
// unless they arrive over loopback or the owner trusts the network (guard.go).
package server
