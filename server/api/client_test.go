package api

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

func TestNewClientRefusesAddresses(t *testing.T) {
	for _, bad := range []string{"", "127.0.0.1:8080", "ftp://x", "http://", "http://[::1"} {
		if _, err := NewClient(bad, nil); err == nil || !strings.Contains(err.Error(), "address") {
			t.Errorf("address %q gives %v", bad, err)
		}
	}
}

func TestClientTellsForeignServersApart(t *testing.T) {
	for name, c := range map[string]struct {
		answer http.HandlerFunc
		want   string
	}{
		"a page":      {func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("<html>")) }, "is this a Benchyard server?"},
		"a plain 502": {func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "no", http.StatusBadGateway) }, "is this a Benchyard server?"},
		"a broken problem": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", ProblemType)
			w.WriteHeader(http.StatusTeapot)
			w.Write([]byte("{"))
		}, "does not decode"},
	} {
		server := httptest.NewServer(c.answer)
		client, err := NewClient(server.URL, server.Client())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := client.Benches(t.Context()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s gives %v, want %q", name, err, c.want)
		}
		server.Close()
	}
}

func TestClientEscapesIds(t *testing.T) {
	var path string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		path = r.URL.EscapedPath()
		w.Header().Set("Content-Type", ProblemType+"; charset=utf-8")
		w.WriteHeader(http.StatusNotFound)
		w.Write([]byte(`{"type": "about:blank", "title": "Not Found", "status": 404, "detail": "nothing here"}`))
	}))
	defer server.Close()
	client, err := NewClient(server.URL, server.Client())
	if err != nil {
		t.Fatal(err)
	}
	_, err = client.Run(t.Context(), "a/b?c")
	var p *Problem
	if !errors.As(err, &p) || p.Status != http.StatusNotFound || p.Detail != "nothing here" || path != "/api/v1/runs/a%2Fb%3Fc" {
		t.Errorf("path %q, error %v", path, err)
	}
}
