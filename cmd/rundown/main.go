// Command rundown measures how long handsets last at everyday tasks, over adb.
//
// This package parses the command line and prints; what the verbs do is elsewhere.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"rundown/orchestrator/api"
	"rundown/orchestrator/notices"
)

// version is set by the linker for a release.
var version = "development"

// defaultAddress is where the daemon's API listens, on loopback.
const defaultAddress = "127.0.0.1:8780"

// Exit codes. A check that ends with an unmet required precondition is 1, like any other
// failure; a command line that cannot be read is 2.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

// commands is the command line.
type commands struct {
	Daemon string `help:"Address of the running daemon." default:"${address}" env:"RUNDOWN_DAEMON" placeholder:"HOST:PORT"`
	Token_ string `help:"Token for a daemon that is not on this host." name:"token" env:"RUNDOWN_TOKEN" placeholder:"SECRET"`
	CA     string `help:"Certificate of the authority that the daemon's is from, PEM, when this host does not know it." name:"ca" type:"existingfile" env:"RUNDOWN_CA" placeholder:"FILE"`
	JSON   bool   `help:"Print JSON for machines." name:"json"`

	Serve     serveCmd     `cmd:"" help:"Run the daemon for the bench of a plan file."`
	Demo      demoCmd      `cmd:"" help:"Run an accelerated night on four simulated handsets; no phone and no adb needed."`
	Handsets  handsetsCmd  `cmd:"" help:"How each handset stands right now, and what to do about one that cannot be used."`
	Check     checkCmd     `cmd:"" help:"Print a handset's precondition report for a plan. Exit code 0 only when every required one is met."`
	Doctor    doctorCmd    `cmd:"" help:"Look at everything around the bench: adb, USB rights, ports, disk, clock, apps on the handsets. Exit code 0 only when all that is required is fine."`
	Queue     queueCmd     `cmd:"" help:"Queue plans and see to what is queued."`
	Runs      runsCmd      `cmd:"" help:"List runs, newest first."`
	Show      showCmd      `cmd:"" help:"Show one run: segments, figures with their 95 % intervals, conditions, drift."`
	Night     nightCmd     `cmd:"" help:"What became of a night, handset by handset; those set aside come first."`
	Collect   collectCmd   `cmd:"" help:"Pick up segments that lie on a handset, such as one carried out without any link."`
	Prompts   promptsCmd   `cmd:"" help:"What a person is asked to do at the bench, and until when."`
	Answer    answerCmd    `cmd:"" help:"Answer a prompt."`
	Notices   noticesCmd   `cmd:"" help:"What was told away from the bench, and what did not arrive."`
	Gate      gateCmd      `cmd:"" help:"See to what lets power to a handset."`
	Release   releaseCmd   `cmd:"" help:"Let a handset take part again that was set aside."`
	TakeOver  takeOverCmd  `cmd:"" name:"take-over" help:"Take over a handset that another daemon holds: what runs there ends."`
	Settings  settingsCmd  `cmd:"" help:"What could not be put back on handsets after a run, and leaving it as it is."`
	Calibrate calibrateCmd `cmd:"" help:"Find which brightness setting of a handset gives which luminance."`
	Meters    metersCmd    `cmd:"" aliases:"meter" help:"Read the bench's meters once; attach the file of one that recorded by itself."`
	Export    exportCmd    `cmd:"" help:"Write results as files for analysis."`
	Compare   compareCmd   `cmd:"" help:"Compare handsets, runs or line-ups: ratios with intervals, and whether a difference is shown."`
	Report    reportCmd    `cmd:"" help:"Write a report of a run, a night or a comparison: page, table for an editor, pictures."`
	Import    importCmd    `cmd:"" help:"Bring in a log timed by hand or written by an instrument, or take it back."`
	Annotate  annotateCmd  `cmd:"" help:"Say something of a run, with who and when."`
	Figures   figuresCmd   `cmd:"" help:"Endurance by handset and scenario, and what the day mixes make of it."`
	Learned   learnedCmd   `cmd:"" help:"What surveys, segments and recharges taught about each handset."`
	Backup    backupCmd    `cmd:"" help:"Copy everything recorded to a file, while the daemon runs."`
	Calculate calculateCmd `cmd:"" help:"Work out CSV files of drains, charges or repeated cycles, or folders of them, without a daemon."`
	Dump      dumpCmd      `cmd:"" help:"Show what is read from what a handset prints of its battery: units, and where they are in doubt."`
	Workload  workloadCmd  `cmd:"" help:"What handsets can be given to do, and the video that they play."`
	Log       logCmd       `cmd:"" help:"Who changed what and when, newest first; refused attempts too."`
	Token     tokenCmd     `cmd:"" help:"Make, list and withdraw tokens for those who reach the daemon over the network."`
	Validate  validateCmd  `cmd:"" help:"Check a plan file: every fault with its line, key and what is allowed."`
	Schema    schemaCmd    `cmd:"" help:"Print the plan file's JSON Schema, so that an editor can complete it."`
	Version   versionCmd   `cmd:"" help:"Print the version."`
	Accuracy  accuracyCmd  `cmd:"" hidden:"" help:"Error and coverage of the endurance figures on simulated segments."`
	Complete  completeCmd  `cmd:"" name:"completion" help:"Print a completion script for a shell."`
}

// env is what a verb works with.
type env struct {
	ctx    context.Context
	out    io.Writer
	errOut io.Writer
	client *api.Client
	json   bool
	root   *kong.Kong
}

// client speaks to the daemon as the command line says.
func (c *commands) client() (*api.Client, error) {
	client := api.NewClient(c.Daemon).WithToken(c.Token_)
	if c.CA == "" {
		return client, nil
	}
	pem, err := os.ReadFile(c.CA)
	if err != nil {
		return nil, fmt.Errorf("--ca: %w", err)
	}
	if client, err = client.WithAuthority(pem); err != nil {
		return nil, fmt.Errorf("--ca %s: %w", c.CA, err)
	}
	return client, nil
}

// errUnmet ends check with a code other than 0 after the report was printed.
var errUnmet = errors.New("required preconditions are not met")

func main() {
	notices.Courier()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run carries out one command line and returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var c commands
	code := -1
	parser, err := kong.New(&c,
		kong.Name("rundown"),
		kong.Description("Measures how long each phone lasts at everyday tasks, how fast it charges and how it holds its speed, over adb.\n\n"+
			"Examples:\n"+
			"  rundown demo                                   a night on simulated handsets\n"+
			"  rundown validate bench.yaml                    check a plan file\n"+
			"  rundown serve --file bench.yaml                run the daemon\n"+
			"  rundown check Alder --plan everyday            a handset's precondition report\n"+
			"  rundown queue add everyday Alder Birch --wait  queue a plan and watch it\n"+
			"  rundown export --what samples -o results       files for analysis"),
		kong.Writers(stdout, stderr),
		kong.Exit(func(n int) { code = n }),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Vars{"address": defaultAddress, "factor": "600", "tables": tableNames()},
	)
	if err != nil {
		fmt.Fprintln(stderr, "rundown:", err)
		return exitUsage
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(args)
	if code >= 0 { // help was asked for and printed
		return code
	}
	if err != nil {
		fmt.Fprintf(stderr, "rundown: %s\nTry `rundown --help`.\n", err)
		return exitUsage
	}
	client, err := c.client()
	if err != nil {
		fmt.Fprintln(stderr, err)
		return exitFailed
	}
	e := &env{ctx: ctx, out: stdout, errOut: stderr, client: client, json: c.JSON, root: parser}
	switch err := parsed.Run(e); {
	case errors.Is(err, errUnmet):
		return exitFailed
	case err != nil:
		fmt.Fprintln(stderr, err)
		return exitFailed
	}
	return exitOK
}
