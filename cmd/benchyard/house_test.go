package main

import (
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The sizes of DESIGN.md section 7.
const (
	maxFileLines     = 500
	maxFunctionLines = 80
)

const root = "../.."

// mayImport is the room table of DEVELOPERS.md: for each room, the rooms it
// may import. A trailing slash-star means the room and everything below it.
var mayImport = map[string][]string{
	"cmd/benchyard":             {"server/*", "jobs/*", "instruments/*", "migrations", "web"},
	"server":                    {"server/api", "jobs/*", "instruments/rf", "instruments/document", "web"},
	"server/api":                {},
	"jobs":                      {"jobs/*", "instruments/*"},
	"instruments/document":      {},
	"jobs/bringup":              {"instruments/radiounit", "instruments/scpi", "instruments/rf"},
	"jobs/plan":                 {"instruments/document", "jobs/conformance", "instruments/rf"},
	"jobs/lab":                  {"instruments/document", "instruments/dialect", "instruments/scpi", "instruments/rf"},
	"jobs/procedure":            {"jobs/conformance", "jobs/uncertainty", "jobs/dsp", "instruments/rf", "instruments/nr"},
	"jobs/scheduler":            {"instruments/rf"},
	"jobs/dsp":                  {"instruments/rf", "instruments/nr"},
	"jobs/conformance":          {"instruments/document", "jobs/uncertainty", "instruments/rf"},
	"jobs/uncertainty":          {"instruments/rf"},
	"jobs/watch":                {},
	"jobs/chaos":                {},
	"jobs/calibration":          {"instruments/document", "jobs/uncertainty", "instruments/rf"},
	"jobs/statistics":           {},
	"jobs/results":              {"jobs/blob", "jobs/conformance", "jobs/uncertainty", "jobs/statistics", "instruments/rf"},
	"jobs/calendar":             {},
	"jobs/webhook":              {},
	"jobs/blob":                 {},
	"jobs/retention":            {"jobs/blob", "jobs/lab"},
	"jobs/backup":               {"jobs/blob", "jobs/postgres"},
	"jobs/postgres":             {"migrations"},
	"instruments":               {"instruments/analyzer", "instruments/generator", "instruments/supply", "instruments/switcher", "instruments/radiounit", "instruments/powermeter", "instruments/shell", "instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/rf":            {},
	"instruments/nr":            {"instruments/rf"},
	"instruments/scpi":          {"instruments/scpi/hislip", "instruments/rf"},
	"instruments/scpi/hislip":   {},
	"instruments/scpi/scpitest": {"instruments/scpi", "instruments/scpi/hislip", "instruments/rf"},
	"instruments/shell":         {"instruments/scpi"},
	"instruments/dialect":       {"instruments/document", "instruments/scpi"},
	"instruments/analyzer":      {"instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/generator":     {"instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/supply":        {"instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/switcher":      {"instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/powermeter":    {"instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/radiounit":     {"instruments/shell", "instruments/dialect", "instruments/scpi", "instruments/rf"},
	"instruments/sim":           {"instruments/scpi", "instruments/scpi/hislip", "instruments/nr", "instruments/rf"},
	"migrations":                {},
	"web":                       {},
}

// simulatorUsers are the only rooms whose production code may import the simulator.
var simulatorUsers = map[string]bool{"cmd/benchyard": true}

type listed struct {
	ImportPath string
	Imports    []string
}

func TestRoomsImportOnlyWhatTheyMay(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "benchyard/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen := 0
	for dec := json.NewDecoder(bytes.NewReader(out)); dec.More(); {
		var p listed
		if err := dec.Decode(&p); err != nil {
			t.Fatal(err)
		}
		room := strings.TrimPrefix(p.ImportPath, "benchyard/")
		allowed, known := mayImport[room]
		if !known {
			t.Errorf("room %s is not in the table of DEVELOPERS.md; add it there and here first", room)
			continue
		}
		seen++
		for _, imp := range p.Imports {
			other, ours := strings.CutPrefix(imp, "benchyard/")
			if !ours {
				continue
			}
			if !permitted(allowed, other) {
				t.Errorf("%s imports %s, which the room table forbids", room, other)
			}
			if other == "instruments/sim" && !simulatorUsers[room] {
				t.Errorf("%s imports the simulator outside its tests", room)
			}
		}
	}
	if seen < len(mayImport) {
		t.Errorf("saw %d rooms, the table has %d", seen, len(mayImport))
	}
}

func permitted(allowed []string, other string) bool {
	for _, a := range allowed {
		if below, all := strings.CutSuffix(a, "/*"); all && (other == below || strings.HasPrefix(other, below+"/")) {
			return true
		} else if a == other {
			return true
		}
	}
	return false
}

func TestFilesAndFunctionsKeepTheirSize(t *testing.T) {
	eachGoFile(t, func(path string, fset *token.FileSet, file *ast.File) {
		if n := fset.File(file.FileStart).LineCount(); n > maxFileLines {
			t.Errorf("%s has %d lines, at most %d", path, n, maxFileLines)
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if n := fset.Position(f.End()).Line - fset.Position(f.Pos()).Line + 1; n > maxFunctionLines {
				t.Errorf("%s: %s has %d lines, at most %d", path, f.Name.Name, n, maxFunctionLines)
			}
		}
	})
}

func TestExportedNamesAndPackagesAreDocumented(t *testing.T) {
	documented := map[string]bool{}
	eachGoFile(t, func(path string, _ *token.FileSet, file *ast.File) {
		dir := filepath.Dir(path)
		documented[dir] = documented[dir] || file.Doc != nil
		if strings.HasSuffix(path, "_test.go") {
			return
		}
		for _, d := range file.Decls {
			for _, name := range undocumented(d) {
				t.Errorf("%s: exported %s has no comment", path, name)
			}
		}
	})
	for dir, ok := range documented {
		if !ok {
			t.Errorf("package %s has no package comment", dir)
		}
	}
}

func undocumented(d ast.Decl) (names []string) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() && d.Doc == nil && exportedReceiver(d) {
			names = append(names, d.Name.Name)
		}
	case *ast.GenDecl:
		for _, s := range d.Specs {
			if ts, ok := s.(*ast.TypeSpec); ok && ts.Name.IsExported() && d.Doc == nil && ts.Doc == nil {
				names = append(names, ts.Name.Name)
			}
		}
	}
	return names
}

func exportedReceiver(f *ast.FuncDecl) bool {
	if f.Recv == nil {
		return true
	}
	t := f.Recv.List[0].Type
	if star, ok := t.(*ast.StarExpr); ok {
		t = star.X
	}
	if idx, ok := t.(*ast.IndexExpr); ok {
		t = idx.X
	}
	id, ok := t.(*ast.Ident)
	return ok && id.IsExported()
}

func eachGoFile(t *testing.T, visit func(path string, fset *token.FileSet, file *ast.File)) {
	t.Helper()
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "node_modules" || d.Name() == ".git" || d.Name() == ".data") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		visit(path, fset, file)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
