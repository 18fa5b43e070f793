// Command benchyard is the whole program: the server, the bench agent, the
// simulated lab, and the commands a person types. One file per subcommand;
// flags, configuration and the order of start and stop live here, decisions
// about the domain do not.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"benchyard/instruments/document"
	"benchyard/jobs/postgres"
)

// Exit codes, the same for every command.
const (
	exitDone   = 0 // done, and nothing failed
	exitFailed = 1 // a unit failed, an instrument reported an error, two corrections disagree
	exitUsage  = 2 // wrong use or bad input
	exitError  = 3 // bench, network or database
)

// commandLine is every command with its flags.
type commandLine struct {
	DatabaseURL string `name:"database-url" env:"BENCHYARD_DATABASE_URL" help:"PostgreSQL to use. Default: a private local server that the program keeps itself." placeholder:"URL"`
	DataDir     string `name:"data-dir" env:"BENCHYARD_DATA_DIR" help:"Where the private server keeps its data." placeholder:"DIR"`
	Blobs       string `env:"BENCHYARD_BLOBS" help:"Where evidence too big for the database is: a folder, or s3://bucket/prefix?endpoint=https://host with credentials in the environment. Default: a folder beside the private server's data." placeholder:"PLACE"`
	PostgresBin string `name:"postgres-bin" env:"BENCHYARD_POSTGRES_BIN" help:"Directory of the PostgreSQL programs. Default: found by itself." placeholder:"DIR"`
	Verbose     bool   `short:"v" help:"Log what happens, on standard error."`
	LogFormat   string `name:"log-format" env:"BENCHYARD_LOG_FORMAT" enum:"text,json" default:"text" help:"How to log: text, or json, one object a line."`

	Demo      demoCommand      `cmd:"" help:"A simulated lab at work: three benches, 24 units, two builds, faults to find."`
	Serve     serveCommand     `cmd:"" help:"Pages and API, and an agent for the benches."`
	Agent     agentCommand     `cmd:"" help:"Drive benches; run it beside them."`
	Sim       simCommand       `cmd:"" help:"Serve a simulated lab on TCP ports."`
	Scpi      scpiCommand      `cmd:"" help:"A console for one instrument: messages, answers, error queue."`
	Lab       labCommand       `cmd:"" help:"The inventory: benches, instruments, paths, units."`
	Path      pathCommand      `cmd:"" help:"Corrections of signal paths: out of files, compared, running out."`
	Plan      planCommand      `cmd:"" help:"Test plans."`
	Campaign  campaignCommand  `cmd:"" help:"Queue a plan for units, watch it, cancel it."`
	Schedule  scheduleCommand  `cmd:"" help:"Campaigns that recur."`
	Build     buildCommand     `cmd:"" help:"New builds: announce one, the plans that it goes through."`
	Webhook   webhookCommand   `cmd:"" help:"Who is told of what happens: signed messages over HTTP."`
	Queue     queueCommand     `cmd:"" help:"What waits, when it will be done and why it waits; which units to mount next."`
	Run       runCommand       `cmd:"" help:"One unit on one bench: its cases and figures."`
	Bench     benchCommand     `cmd:"" help:"The benches: hold one, release it, clear an alarm, its check by a golden unit."`
	Prompt    promptCommand    `cmd:"" help:"What persons are asked to do at the benches, and their answers."`
	Limits    limitsCommands   `cmd:"" help:"Every requirement that applies to a carrier, and what changed between sets."`
	Analyze   analyzeCommand   `cmd:"" help:"Figures and verdicts from a trace that was taken elsewhere."`
	Yield     yieldCommands    `cmd:"" help:"Yield, what got worse, capability, charts, how benches agree, risks of rules."`
	Backup    backupCommand    `cmd:"" help:"Write everything that the database holds, and its evidence, into one file."`
	Restore   restoreCommand   `cmd:"" help:"Fill an empty database with a backup."`
	Evidence  evidenceCommand  `cmd:"" help:"The evidence behind verdicts: hold it, check it, read transcripts."`
	Retention retentionCommand `cmd:"" help:"Give up evidence that the lab does not want to keep any longer."`
	Migrate   migrateCommand   `cmd:"" help:"Bring the database schema up to date."`
}

// program is what a command needs of its surroundings.
type program struct {
	commandLine *commandLine
	stdout      io.Writer
	stderr      io.Writer
	log         *slog.Logger
}

// failedUnits says that the work is done and at least one unit, or what stands
// in its place, failed.
type failedUnits struct{ text string }

func (e *failedUnits) Error() string { return e.text }

// badInput says that the person can mend it: a flag, a file, a name.
type badInput struct{ err error }

func (e *badInput) Error() string { return e.err.Error() }
func (e *badInput) Unwrap() error { return e.err }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), endingSignals()...)
	defer stop()
	// A reader that goes away, as head does, must not kill an agent in the
	// middle of a measurement: a write to it fails instead.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	os.Exit(execute(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// endingSignals are those that end the program in an orderly way, benches safe
// first: a closed terminal too, unless nohup asked to ignore it.
func endingSignals() []os.Signal {
	signals := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		signals = append(signals, syscall.SIGHUP)
	}
	return signals
}

// execute runs one command line and returns its exit code.
func execute(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var line commandLine
	exited := -1
	parser, err := kong.New(&line, kong.Name("benchyard"),
		kong.Description("Queues conducted tests of radio units over benches and judges every figure against TS 38.141-1."),
		kong.Writers(stdout, stderr), kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintln(stderr, "benchyard:", err)
		return exitError
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 { // --help has printed
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "benchyard: %s; see %s --help\n", visible(err.Error()), commandOf(err))
		return exitUsage
	}
	out := &checkedWriter{w: stdout}
	p := &program{commandLine: &line, stdout: out, stderr: stderr, log: logger(line.Verbose, line.LogFormat, stderr)}
	parsed.BindTo(ctx, (*context.Context)(nil))
	err = parsed.Run(p)
	if out.err != nil && (err == nil || errors.As(err, new(*failedUnits))) {
		err = out.err
	}
	return report(ctx, err, stderr)
}

// commandOf is the command whose help tells more about a usage error.
func commandOf(err error) string {
	var parse *kong.ParseError
	if errors.As(err, &parse) && parse.Context != nil {
		if node := parse.Context.Selected(); node != nil {
			return node.FullPath()
		}
	}
	return "benchyard"
}

// checkedWriter remembers that something could not be written, so that output
// which never arrived does not count as done.
type checkedWriter struct {
	w   io.Writer
	err error
}

func (c *checkedWriter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	if err != nil && c.err == nil {
		c.err = err
	}
	return n, err
}

func logger(verbose bool, format string, w io.Writer) *slog.Logger {
	options := &slog.HandlerOptions{Level: slog.LevelWarn}
	if verbose {
		options.Level = slog.LevelDebug
	}
	if format == "json" {
		return slog.New(slog.NewJSONHandler(w, options))
	}
	return slog.New(slog.NewTextHandler(w, options))
}

// report prints an error once and turns it into the exit code.
func report(ctx context.Context, err error, stderr io.Writer) int {
	if err == nil {
		return exitDone
	}
	if errors.Is(err, syscall.EPIPE) { // whoever read the output has gone and needs no message
		return exitError
	}
	var stopped *stoppedWatching
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) && !errors.As(err, &stopped) {
		fmt.Fprintln(stderr, "benchyard: interrupted before it was done")
		return exitError
	}
	var failed *failedUnits
	if errors.As(err, &failed) {
		fmt.Fprintln(stderr, failed.text)
		return exitFailed
	}
	fmt.Fprintln(stderr, "benchyard:", visible(err.Error()))
	var bad *badInput
	var problems document.Problems
	if errors.As(err, &bad) || errors.As(err, &problems) || errors.Is(err, postgres.ErrURL) {
		return exitUsage
	}
	return exitError
}
