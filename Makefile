# Benchyard's tasks. `make` alone lists them.
GO     ?= go
BINARY := bin/benchyard
WEB    := web/dist/manifest.json
SOURCES := $(shell find cmd server jobs instruments migrations web -name '*.go' -o -name '*.sql' -o -name '*.tmpl' -o -name '*.html' -o -name '*.yaml' 2>/dev/null | grep -v node_modules)

.DEFAULT_GOAL := help
.PHONY: help demo test build web lint long chaos utilisation bench fuzz parsers postgres chromium tools clean

help: ## list the targets
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 12

demo: $(BINARY) postgres ## a simulated lab at work: terminal and browser
	./$(BINARY) demo $(DEMO)

test: tools web postgres chromium lint ## every check, with the race detector
	$(GO) test -race -timeout 18m ./...

build: $(BINARY) ## the program, into bin/

web: $(WEB) ## the browser bundle, into web/dist

lint: tools ## formatting and vet
	@test -z "$$(gofmt -l cmd server jobs instruments migrations web/*.go)" || { gofmt -l cmd server jobs instruments migrations web/*.go; echo "lint: run gofmt on the files above"; exit 1; }
	$(GO) vet ./...

long: tools postgres ## the safe state at each step in real time, damage over 200,000 labs
	BENCHYARD_LONG=1 $(GO) test -timeout 40m -run 'TestSafeStateAtEachStep|TestSafeStateDuringPreparations|TestNothingAcceptedDamages' ./jobs

utilisation: tools postgres ## share of time in which the analyzer works, beside a plain script, in real time (18 min)
	BENCHYARD_UTILISATION=1 $(GO) test -v -timeout 40m -run 'TestUtilisation' ./jobs | grep -v level=

chaos: tools postgres ## agents, wires, instruments and the database disturbed at random (CHAOS_SEED, CHAOS_RUNS, CHAOS_TIME, default 5m)
	CHAOS_TIME=$(or $(CHAOS_TIME),5m) CHAOS_DIR=$(CURDIR)/bin/chaos $(GO) test -tags chaos -count=1 -v -timeout 60m ./jobs/chaos

bench: tools postgres ## benchmarks; figures are ratios to a peer in the same run
	$(GO) test -run '^$$' -bench . -benchtime 2s ./...

fuzz: tools ## every fuzz target for FUZZTIME each (default 20s)
	@./.ci/fuzz $(or $(FUZZTIME),20s)

# Those of the parsers of what instruments send and people write.
PARSERS := instruments/scpi:FuzzParseMessage instruments/scpi:FuzzReadResponse instruments/scpi:FuzzFramer \
	instruments/scpi/hislip:FuzzFrames instruments/dialect:FuzzParse jobs/calibration:FuzzParseTouchstone

parsers: tools ## fuzz targets of wire, dialect and Touchstone parsers for FUZZTIME each (default 10m)
	@./.ci/fuzz $(or $(FUZZTIME),10m) $(PARSERS)

postgres: ## PostgreSQL programs, through apt where root may
	@./.ci/need initdb postgresql

chromium: ## the browser of the page test, through apt where root may
	@./.ci/need chromium chromium

tools:
	@./.ci/need go golang
	@./.ci/need node nodejs
	@./.ci/need gcc gcc

clean: ## remove what was built
	rm -rf bin web/node_modules
	find web/dist -type f ! -name .keep -delete

$(BINARY): tools $(WEB) $(SOURCES) go.mod go.sum
	$(GO) build -trimpath -o $@ ./cmd/benchyard

$(WEB): web/package-lock.json web/package.json web/build.mjs web/tsconfig.json $(shell find web/src -type f 2>/dev/null)
	cd web && npm ci --ignore-scripts --no-audit --no-fund && npm run build
