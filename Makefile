# Needs make and Go 1.26; each target brings the rest by itself (.ci/packages).
#
#   make build    a static bin/anchorhold
#   make test     every test; as root it installs what tests need, and tests
#                 that need a machine of their own make one in a mount namespace
#   make check    gofmt, go.mod, vet, staticcheck, known faults, short tests
#                 with -race, for every platform; no root
#   make faults   only the part of make test in which runs die, fail or lose the
#                 power at every call that changes something
#   make mutants  changes of the code that tests must notice, one by one, on a
#                 copy of the tree; not part of make test
#   make bench    what the design promises of whole runs, measured, as a table
#   make demo     the whole product at work on one machine, which stays as it is

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := build

# Under sudo the path often lacks the folder where Go installs itself.
GO := $(firstword $(shell command -v go 2>/dev/null) $(wildcard /usr/local/go/bin/go /usr/lib/go-1.26/bin/go /usr/lib/go/bin/go))
ifeq ($(GO),)
$(error Go 1.26 or newer is needed, in PATH or in /usr/local/go: https://go.dev/dl/)
endif
export PATH := $(patsubst %/,%,$(dir $(GO))):$(PATH)
# A bare shell may know no home, and Go keeps its caches there.
ifeq ($(HOME),)
export HOME := $(shell getent passwd "$$(id -u)" | cut -d: -f6)
endif

# A tree that another account owns is read all the same (sudo in a user's clone).
VERSION := $(shell git -c safe.directory='*' describe --tags --always --dirty 2>/dev/null || echo unknown)
LDFLAGS := -s -w -X main.version=$(VERSION)
export GOFLAGS := -buildvcs=false

# ./... passes testdata by, which has tests of its own.
PACKAGES := ./... ./testdata
PLATFORMS := linux/amd64 linux/arm64 windows/amd64 windows/arm64 darwin/amd64 darwin/arm64
SYSTEMS := linux windows darwin
TOOLS := .cache/tools
TOOLS_FROM := .ci/tools/go.mod .ci/tools/go.sum $(wildcard .ci/tools/*/*.go)
TEST_LIMIT := 29m
# What sudo made stays writable for the account that called it.
GIVE_BACK = $(if $(SUDO_UID),chown -R $(SUDO_UID):$(SUDO_GID),true)

.PHONY: build test check bench demo faults mutants packages clean
.PHONY: check-format check-modules check-platforms check-lint check-faults check-tests

build:
	@mkdir -p bin
	CGO_ENABLED=0 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/ ./cmd/...
	@$(GIVE_BACK) bin

# With CI=true each skip must stand in .ci/allowed-skips.txt, and only those. The
# faults come last and alone: they count what happens while they run.
test: packages $(TOOLS)/stamp
	$(TOOLS)/results -allow .ci/allowed-skips.txt $(if $(filter true,$(CI)),-strict) -- bash -c '\
		go test -json -timeout $(TEST_LIMIT) $$(go list $(PACKAGES) | grep -v "/packaging/faults$$"); rest=$$?; \
		go test -json -count=1 -timeout $(TEST_LIMIT) ./packaging/faults && exit $$rest'

# Dies, fails and loses the power at every call of a run that changes something.
faults: packages
	go test -count=1 -timeout 60m -v ./packaging/faults

check: check-format check-modules check-platforms check-lint check-faults check-tests

check-format:
	@bad=$$(gofmt -l $$(ls -d cmd agent trust policy packaging testdata .ci/tools)); \
	if [ -n "$$bad" ]; then echo "not formatted, run gofmt -w:"; echo "$$bad"; exit 1; fi

check-modules:
	go mod tidy -diff
	go -C .ci/tools mod tidy -diff

check-platforms:
	@for p in $(PLATFORMS); do echo "go build $$p"; \
		CGO_ENABLED=0 GOOS=$${p%/*} GOARCH=$${p#*/} go build $(PACKAGES); done
	@for s in $(SYSTEMS); do echo "go vet $$s"; CGO_ENABLED=0 GOOS=$$s go vet $(PACKAGES); done
	go -C .ci/tools vet ./...

check-lint: $(TOOLS)/stamp
	@for s in $(SYSTEMS); do echo "staticcheck $$s"; \
		CGO_ENABLED=0 GOOS=$$s $(TOOLS)/staticcheck $(PACKAGES); done

# VULNDB=https://vuln.go.dev asks the newest reports instead of the pinned ones.
check-faults: $(TOOLS)/stamp
	@for s in linux windows; do echo "known faults $$s"; \
		CGO_ENABLED=0 GOOS=$$s $(TOOLS)/vulns -govulncheck $(TOOLS)/govulncheck \
		-pin .ci/tools/vulndb.txt -db '$(VULNDB)' ./...; done

check-tests:
	go test -race -short -timeout 5m $(PACKAGES)
	go -C .ci/tools test ./...

bench: packages build
	bash packaging/bench/bench.sh bin/anchorhold

demo: packages build
	bash packaging/demo/demo.sh bin/anchorhold

mutants:
	go test -tags mutants -count=1 -timeout 60m -v -run '^TestMutants$$' ./packaging/mutants

packages:
	@bash .ci/packages

$(TOOLS)/stamp: $(TOOLS_FROM)
	mkdir -p $(TOOLS)
	go -C .ci/tools build -o ../../$(TOOLS)/ tool ./results ./vulns
	touch $@
	@$(GIVE_BACK) .cache

clean:
	rm -rf bin .cache
