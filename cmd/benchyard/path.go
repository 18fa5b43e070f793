package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
)

// pathCommand looks after the corrections of signal paths.
type pathCommand struct {
	Show     pathShow     `cmd:"" help:"Paths with the corrections in force, what was proposed for one, or every difference of a proposal."`
	Measure  pathMeasure  `cmd:"" help:"Measure a path with the generator and the power meter of its bench; a person is asked to move cables, and the correction is proposed."`
	Check    pathCheck    `cmd:"" help:"Hold a few frequencies of a path against its correction; exit code 1 where they are too far off, and the bench is held."`
	Tasks    pathTasks    `cmd:"" help:"Paths that are measured and checked: how far they are, what they came to."`
	Cancel   pathCancel   `cmd:"" help:"End a measurement or a check of a path."`
	Import   pathImport   `cmd:"" help:"Propose the correction of a file; it counts once somebody else has approved it."`
	Approve  pathApprove  `cmd:"" help:"Put a proposed correction in force, by a new version of the inventory."`
	Reject   pathReject   `cmd:"" help:"End a proposal; what is in force stays."`
	Convert  pathConvert  `cmd:"" help:"The correction out of a file, as CSV that correction_file of an inventory takes."`
	Compare  pathCompare  `cmd:"" help:"A new correction beside the old one, over frequency, in dB and in their combined uncertainty; exit code 1 where they disagree."`
	Expiring pathExpiring `cmd:"" help:"Corrections and calibrations of instruments that run out, or have."`
}

// statedFlag is the uncertainty of files that state none.
type statedFlag struct {
	Uncertainty string `help:"Expanded uncertainty (k = 2) of every loss of a Touchstone file, which states none, such as 0.2dB; it has to cover what lies between the rows." placeholder:"DB"`
}

// pathConvert prints a file as a correction.
type pathConvert struct {
	statedFlag
	File string `arg:"" help:"Two-port Touchstone file of version 1 (.s2p), referred to 50 ohms; or CSV with frequency_hz,loss_db,uncertainty_db."`
}

// Run prints the correction.
func (c *pathConvert) Run(ctx context.Context, p *program) error {
	if c.Uncertainty != "" && !isTouchstone(c.File) {
		return c.unused()
	}
	rows, err := c.read(ctx, c.File)
	if err != nil {
		return err
	}
	_, err = p.stdout.Write(lab.FormatCorrection(rows))
	return err
}

// isTouchstone tells by the name of a file whether a network analyzer wrote it.
// Files with another number of ports are of the kind too, and refused as such.
func isTouchstone(file string) bool {
	ext := strings.ToLower(filepath.Ext(file))
	if ext == ".ts" {
		return true
	}
	ports, ends := strings.CutSuffix(ext, "p")
	ports, begins := strings.CutPrefix(ports, ".s")
	return begins && ends && ports != "" && strings.Trim(ports, "0123456789") == ""
}

// isInventory tells by the name of a file whether it is a lab.
func isInventory(file string) bool {
	ext := strings.ToLower(filepath.Ext(file))
	return ext == ".yaml" || ext == ".yml"
}

func (s statedFlag) unused() error {
	return &badInput{errors.New("--uncertainty is for Touchstone files (.s2p); CSV and inventories state their own, row by row")}
}

// read reads a Touchstone file, or CSV as the inventory reads it.
func (s statedFlag) read(ctx context.Context, file string) (rf.Correction, error) {
	data, err := readFile(ctx, file)
	if err != nil {
		return nil, err
	}
	if !isTouchstone(file) {
		rows, problems := lab.ParseCorrection(file, data)
		return rows, problems.Err()
	}
	if s.Uncertainty == "" {
		return nil, &badInput{fmt.Errorf("%s: a Touchstone file states no uncertainty; give it with --uncertainty, such as 0.2dB", file)}
	}
	stated, err := rf.ParseDB(s.Uncertainty)
	if err != nil {
		return nil, &badInput{fmt.Errorf("--uncertainty: %w", err)}
	}
	rows, problems := calibration.ParseTouchstone(file, data, stated)
	return rows, problems.Err()
}
