# The two commands of the README are `make run` and `make test`.

# The toolchain is pinned because the standard library of go1.26.8 has known faults that this one lacks; the
# go command fetches it as a module.
export GOTOOLCHAIN = go1.27.3
export GOFLAGS = -buildvcs=false

.PHONY: run functions test long tools fmt vet static unit race outside vulnerabilities clean

run: airwarrant
	./airwarrant serve --demo

airwarrant: FORCE
	CGO_ENABLED=0 go build -trimpath -o airwarrant ./functions/local

# What template.yaml deploys: one static binary a function, without the calls of an older runtime.
functions:
	for name in api analyze sweep; do CGO_ENABLED=0 GOOS=linux GOARCH=arm64 go build -tags lambda.norpc -trimpath -ldflags '-s -w' -o .build/functions/$$name/bootstrap ./functions/$$name || exit 1; done
	ls -l .build/functions/*/bootstrap

test:
	@rm -f .build/stages
	@.ci/stage tools .ci/tools
	@.ci/stage format $(MAKE) -s fmt
	@.ci/stage vet go vet -tags 'outside long' ./...
	@.ci/stage static $(MAKE) -s static
	@.ci/stage build $(MAKE) -s airwarrant
	@.ci/stage rules ./airwarrant rules check
	@.ci/stage unit go test ./...
	@.ci/stage race go test -race -timeout 25m ./qualify/... ./rules/... ./web/... ./functions/internal/...
	@.ci/stage outside go test -tags outside -run Outside -count=1 -timeout 25m ./...
	@.ci/stage vulnerable .ci/vulnerabilities
	@echo "== time per stage"; cat .build/stages

fmt:
	@bad=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$bad" ]; then echo "run gofmt -w on: $$bad"; exit 1; fi

static:
	@.build/bin/staticcheck-v0.8.2 -tags 'outside long' ./...

# What takes long: kills of the store, fuzzing of each reader, many random cases.
long: tools
	go test -tags long -run Long -count=1 -timeout 60m ./...
	go test -run '^$$' -fuzz '^FuzzText$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording
	go test -run '^$$' -fuzz '^FuzzEDF$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording
	go test -run '^$$' -fuzz '^FuzzWFDB$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording
	go test -run '^$$' -fuzz '^FuzzFHIR$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording
	go test -run '^$$' -fuzz '^FuzzDocument$$' -fuzztime 5m -fuzzminimizetime 5x ./web
	go test -run '^$$' -fuzz '^FuzzContainer$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording
	go test -run '^$$' -fuzz '^FuzzTables$$' -fuzztime 5m -fuzzminimizetime 5x ./qualify/recording/sheets
	go test -run '^$$' -fuzz '^FuzzParseFacts$$' -fuzztime 2m -fuzzminimizetime 5x ./qualify/criteria
	go test -run '^$$' -fuzz '^FuzzApply$$' -fuzztime 2m -fuzzminimizetime 5x ./qualify/casework
	go test -run '^$$' -fuzz '^FuzzLoad$$' -fuzztime 5m -fuzzminimizetime 5x ./rules

tools:
	@.ci/tools

clean:
	rm -rf airwarrant .build

FORCE:
