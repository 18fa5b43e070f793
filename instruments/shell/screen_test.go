package shell

import (
	"strings"
	"testing"
)

// Whatever a command prints, prompts included, it is found whole in front of the
// answer to an echo, whether the terminal shows what is typed or not, and nothing is
// taken for complete before its last byte has come.
func FuzzBeforeEcho(f *testing.F) {
	for _, output := range []string{"", "a", "a\nb", "ru> ", "ru> say other\nother", "x\nru> \ny", "echo-1", "\n\n", "ru> ru> "} {
		f.Add(output, true)
		f.Add(output, false)
	}
	const probe, mark, prompt = "say echo-1-end", "echo-1-end", "ru> "
	s, err := Manner{Prompt: prompt}.compile()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, output string, shown bool) {
		output = Clean([]byte(output))
		if strings.Contains(output, mark) { // nobody could have known it
			t.Skip()
		}
		text := output
		if text != "" && !strings.HasSuffix(text, "\n") {
			text += "\n"
		}
		text += prompt
		if shown {
			text += probe + "\n"
		}
		text += mark + "\n" + prompt
		before, complete := s.beforeEcho(text, probe, mark)
		if !complete || strings.Trim(before, "\n") != strings.Trim(output, "\n") {
			t.Errorf("%q, %v from %q, want %q", before, complete, text, output)
		}
		// The blank behind a prompt need not be waited for.
		if before, complete := s.beforeEcho(text[:len(text)-len(prompt)], probe, mark); complete {
			t.Errorf("%q before the prompt has come", before)
		}
	})
}

// A refusal is found in any line and by its reason.
func TestRefusals(t *testing.T) {
	s, err := Manner{Prompt: ">", Refused: `^ERR(?: (.+))?$`}.compile()
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{"ok": "", "ok\nERR no supply\nmore": "no supply", "ERR": "ERR", "no ERR here": ""} {
		got := ""
		if err, ok := s.refusal("x", text).(*Refusal); ok {
			got = err.Reason
		}
		if got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}
