# The two commands that matter: make demo, make test.

GO ?= go
STATICCHECK = honnef.co/go/tools/cmd/staticcheck@v0.8.2

.PHONY: demo build test lint race accuracy fuzz faults storm crash soak mutants needs

# An accelerated night on four simulated handsets, then a charging night; nothing but Go is needed.
demo:
	$(GO) run ./cmd/rundown demo --once
	$(GO) run ./cmd/rundown demo --once --charge

build:
	$(GO) build -o rundown ./cmd/rundown

# Everything: what tests need is installed first, then vet, staticcheck, and each test once,
# under the race detector. One package at a time: some of them drive browsers, adb and shells
# of the host and want the machine. The fleets of accuracy only compute, for ten minutes with
# the detector and one without: with it go those that are small.
FLEETS = rundown/orchestrator/accuracy
test: needs lint
	$(GO) test -p 1 -timeout 45m -race $$($(GO) list ./... | grep -v '^$(FLEETS)$$')
	$(GO) test -race -run '^Test(Fleet|NightsTeach|Simulated|Independent|Missed)' $(FLEETS)
	$(GO) test $(FLEETS)

lint:
	test -z "$$(gofmt -l .)" || { gofmt -l .; exit 1; }
	$(GO) vet ./...
	$(GO) run $(STATICCHECK) ./...

# adb, mksh, toybox, chromium and ffmpeg from Debian, when missing.
needs:
	sh .ci/needs

# Bias, root-mean-square error, 95 % error and coverage of the endurance figures on
# simulated segments, beside plain "time x 100 / points".
accuracy:
	$(GO) run ./cmd/rundown accuracy

# Each fuzz target for a minute.
fuzz:
	sh .ci/fuzz $(GO)

# Every fault in every state of a run through both adb front ends, under -race.
faults: needs
	RUNDOWN_FAULTS=all sh .ci/long $(GO) 'cases, .* kept every sample' -race -run '^TestFaultMatrix$$' ./orchestrator

# 500 nights in which faults, operators and chance meet in random order. NIGHTS=20 for fewer,
# SEED=7 to begin with that seed: a night that failed says which it was.
storm:
	RUNDOWN_STORM=$(or $(NIGHTS),500) RUNDOWN_STORM_SEED=$(SEED) sh .ci/long $(GO) '^storm from seed' -run '^TestStorm$$' ./orchestrator

# The real binary killed 200 times in one night.
crash:
	RUNDOWN_KILLS=200 sh .ci/long $(GO) '^200 kills' -run '^TestCrashes$$' ./orchestrator

# Fourteen nights on twelve handsets in one process.
soak:
	RUNDOWN_NIGHTS=14 sh .ci/long $(GO) 'nights on' -run '^TestSoak$$' ./orchestrator

# The calculators changed one spot at a time: how much of it their own tests notice. Hours on one core;
# PACKAGES=results/figure for some only.
CALCULATORS = figure changepoint activity sustain calculate compare charging clocks logfiles endurance
mutants:
	sh .ci/mutants $(GO) $(or $(PACKAGES),$(addprefix results/,$(CALCULATORS)))
