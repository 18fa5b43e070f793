package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/goccy/go-yaml"
)

// composeFile is the part of docker-compose.yml that must agree with the program.
// The format is that of https://compose-spec.io.
type composeFile struct {
	Services map[string]struct {
		Build struct {
			Dockerfile string `yaml:"dockerfile"`
		} `yaml:"build"`
		Command     []string          `yaml:"command"`
		Environment map[string]string `yaml:"environment"`
		NetworkMode string            `yaml:"network_mode"`
		DependsOn   map[string]any    `yaml:"depends_on"`
		Volumes     []string          `yaml:"volumes"`
	} `yaml:"services"`
	Volumes map[string]any `yaml:"volumes"`
}

// Every service of docker-compose.yml is started with a command line that the
// program takes, by names that exist.
func TestComposeFileFitsTheProgram(t *testing.T) {
	const top = "../.."
	text, err := os.ReadFile(filepath.Join(top, "docker-compose.yml"))
	if err != nil {
		t.Fatal(err)
	}
	var file composeFile
	if err := yaml.UnmarshalWithOptions(text, &file, yaml.AllowDuplicateMapKey()); err != nil {
		t.Fatal(err)
	}
	agents := 0
	for name, s := range file.Services {
		if shared, ok := strings.CutPrefix(s.NetworkMode, "service:"); ok && file.Services[shared].Command == nil {
			t.Errorf("%s shares the network of %s, which is no service", name, shared)
		}
		for other := range s.DependsOn {
			if _, ok := file.Services[other]; !ok {
				t.Errorf("%s depends on %s, which is no service", name, other)
			}
		}
		for _, v := range s.Volumes {
			if volume, _, _ := strings.Cut(v, ":"); !has(file.Volumes, volume) {
				t.Errorf("%s mounts %s, which is not declared", name, volume)
			}
		}
		if s.Build.Dockerfile == "" {
			continue
		}
		if _, err := os.Stat(filepath.Join(top, s.Build.Dockerfile)); err != nil {
			t.Error(err)
		}
		var line commandLine
		parser, err := kong.New(&line, kong.Name("benchyard"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parser.Parse(withoutFiles(s.Command)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if s.Command[0] == "agent" {
			agents++
		}
		if s.Environment["BENCHYARD_DATABASE_URL"] == "" {
			t.Errorf("%s is told of no database", name)
		}
	}
	if agents != 2 {
		t.Errorf("%d agents, want 2", agents)
	}
}

func has(m map[string]any, name string) bool {
	_, ok := m[name]
	return ok
}

// withoutFiles puts a file that exists in the place of those that the container has.
func withoutFiles(args []string) []string {
	var some []string
	for _, a := range args {
		if strings.HasPrefix(a, "/lab/") {
			a = "compose_test.go"
		}
		some = append(some, a)
	}
	return some
}
