// Command hourbell-agent is the box in the machine: it listens to the machine's
// bus, keeps what it heard, knows what is due with no signal, and brings it to
// the service. It never sends on the bus.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
)

// Exit statuses.
const (
	exitFailed = 1
	exitUsage  = 2
)

// program is what a command stands on.
type program struct {
	out, err io.Writer
	terminal bool // out is one
}

// command is one of the program's commands. Its flags are set up by flags, which
// returns what runs it with the arguments that are no flags.
type command struct {
	name, args, help string
	flags            func(*flag.FlagSet) func(context.Context, *program, []string) error
}

func commands() []command {
	return []command{
		{"run", "", "Listen to the machine's bus, keep what is heard and bring it to the service.", runFlags},
		{"enrol", "", "Make this box a machine's, with a token from `hourbell enrol MACHINE`.", enrolFlags},
		{"due", "", "What is due on this machine, with no signal.", dueFlags},
		{"status", "", "How the running agent stands.", statusFlags},
		{"decode", "FILE", "Print every value that a recording of a bus holds.", decodeFlags},
		{"fresh", "", "Go on in a new spool epoch, after the service refused this box's spool as a copy.", freshFlags},
		{"version", "", "Print the version.", versionFlags},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	info, err := os.Stdout.Stat()
	p := &program{out: os.Stdout, err: os.Stderr, terminal: err == nil && info.Mode()&os.ModeCharDevice != 0}
	os.Exit(p.main(ctx, os.Args[1:]))
}

// main runs one command and says its one error.
func (p *program) main(ctx context.Context, args []string) int {
	err := p.command(ctx, args)
	if err == nil || errors.Is(err, flag.ErrHelp) {
		return 0
	}
	fmt.Fprintln(p.err, "hourbell-agent:", err)
	if _, ok := errors.AsType[*usageError](err); ok {
		return exitUsage
	}
	return exitFailed
}

func (p *program) command(ctx context.Context, args []string) error {
	all := commands()
	if len(args) == 0 || slices.Contains([]string{"help", "-h", "-help", "--help"}, args[0]) {
		p.help(all)
		if len(args) == 0 {
			return &usageError{"say which command"}
		}
		return nil
	}
	if args[0] == "--version" || args[0] == "-version" {
		args[0] = "version"
	}
	i := slices.IndexFunc(all, func(c command) bool { return c.name == args[0] })
	if i < 0 {
		return &usageError{fmt.Sprintf("there is no command %q: `hourbell-agent help` lists them", args[0])}
	}
	c := all[i]
	fs := flag.NewFlagSet(c.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.Usage = func() {
		fmt.Fprintf(p.out, "%s\n\nhourbell-agent %s\n", c.help, strings.TrimSpace(c.name+" "+c.args+" [flags]"))
		fs.SetOutput(p.out)
		fs.PrintDefaults()
		fs.SetOutput(io.Discard)
	}
	run := c.flags(fs)
	rest, err := parse(fs, args[1:])
	if err != nil {
		return err
	}
	return run(ctx, p, rest)
}

func (p *program) help(all []command) {
	fmt.Fprintln(p.out, "hourbell-agent is the box in the machine. `hourbell-agent COMMAND -h` tells a command's flags.")
	fmt.Fprintln(p.out)
	for _, c := range all {
		fmt.Fprintf(p.out, "  %-12s %s\n", strings.TrimSpace(c.name+" "+c.args), c.help)
	}
}

// usageError is a command line that can't be used.
type usageError struct{ why string }

// Error says what is wrong with it.
func (e *usageError) Error() string { return e.why }

// parse reads flags wherever they stand and returns the other arguments.
func parse(fs *flag.FlagSet, args []string) (rest []string, err error) {
	for {
		switch err := fs.Parse(args); {
		case errors.Is(err, flag.ErrHelp):
			return nil, err
		case err != nil:
			return nil, &usageError{fmt.Sprintf("%s: %v: `hourbell-agent %s -h` tells its flags", fs.Name(), err, fs.Name())}
		}
		if fs.NArg() == 0 {
			return rest, nil
		}
		rest, args = append(rest, fs.Arg(0)), fs.Args()[1:]
	}
}

// none refuses arguments where a command takes none.
func none(name string, args []string) error {
	if len(args) > 0 {
		return &usageError{fmt.Sprintf("%s: it takes no argument, but there is %q", name, args[0])}
	}
	return nil
}
