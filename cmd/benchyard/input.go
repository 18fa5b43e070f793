package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"benchyard/instruments/document"
)

// readFile reads a document that a person named. It reads no more than a
// document may have, and an interrupt ends it even where the read hangs, as on
// a pipe that nobody writes to.
func readFile(ctx context.Context, name string) ([]byte, error) {
	if name == "" {
		return nil, &badInput{errors.New("the name of the file is empty")}
	}
	type content struct {
		data []byte
		err  error
	}
	read := make(chan content, 1) // the reader may be left behind in a read that never ends
	go func() {
		data, err := readBounded(name)
		read <- content{data, err}
	}()
	select {
	case c := <-read:
		if c.err != nil {
			return nil, &badInput{c.err}
		}
		return c.data, nil
	case <-ctx.Done():
		return nil, &badInput{fmt.Errorf("reading %s: %w", name, context.Cause(ctx))}
	}
}

func readBounded(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s is a directory; name a file in it", name)
	}
	if info.Size() > document.MaxSize {
		return nil, tooLarge(name)
	}
	data, err := io.ReadAll(io.LimitReader(f, document.MaxSize+1))
	if err == nil && len(data) > document.MaxSize {
		err = tooLarge(name)
	}
	return data, err
}

func tooLarge(name string) error {
	return fmt.Errorf("%s is larger than the %d MiB that a document may have; is it the right file?", name, document.MaxSize>>20)
}

// splitList reads "a,b c" as its words, each once.
func splitList(values []string) []string {
	var words []string
	for _, v := range values {
		for _, w := range strings.FieldsFunc(v, func(r rune) bool { return r == ',' || r == ' ' }) {
			if !slices.Contains(words, w) {
				words = append(words, w)
			}
		}
	}
	return words
}

// chosen reads a list that narrows something down. A list that was given and
// names nothing, as from an empty variable of a script, must not mean everything.
func chosen(flag string, values []string) ([]string, error) {
	words := splitList(values)
	if len(values) > 0 && len(words) == 0 {
		return nil, &badInput{fmt.Errorf("%s names nothing; leave it out for all", flag)}
	}
	return words, nil
}

// checkName refuses text that would garble a terminal or a page.
func checkName(flag, text string) error {
	if !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return &badInput{fmt.Errorf("%s %q has characters that cannot be printed", flag, text)}
	}
	return nil
}
