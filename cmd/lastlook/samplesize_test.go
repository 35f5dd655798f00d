package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
)

// runSampleSize runs the subcommand and gives its exit status, output and messages.
func runSampleSize(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), terminal{in: strings.NewReader(""), out: &o, err: &e}, append([]string{"sample-size"}, args...))
	return status, o.String(), e.String()
}

func TestSampleSizeText(t *testing.T) {
	tests := []struct {
		name string
		args string
		want string
	}{
		{"worked example", "--packages 240", `5 of 240 packages to examine.
  2 % of 240 is 4.8, rounded up.
  Never fewer than 3.
  If all 5 are clean: an infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20.
  A smaller one may be missed.
  This assumes that an infested package is recognised whenever it is examined.
  5 of 240 clean says little about an infestation of 2 %: the chance of seeing it is 8.1 %. It takes 126 packages to reach 95 %.
  5 of 240 clean says little about an infestation of 10 %: the chance of seeing it is 41.2 %. It takes 27 packages to reach 95 %.
`},
		{"small lot", "--packages 2", `2 of 2 packages to examine.
  2 % of 2 is less than 1.
  Never fewer than 3, at most all.
  Every package is examined: a single infested one would be seen.
  This assumes that an infested package is recognised whenever it is examined.
`},
		{"statistical", "--packages 1000 --confidence 0.95 --detect 1% --efficacy 0.9", `287 of 1000 packages to examine.
  ISPM 31: 1 % of 1000 packages, rounded down, is 10 infested.
  Examining 287 sees at least one of them with a confidence of 95 %.
  An infested package that is examined counts as recognised 9 times in 10.
  If all 287 are clean: an infestation of 1 % of the packages (10 of 1000) or more would have been seen, 19 times in 20.
  A smaller one may be missed.
  This assumes that an infested package is recognised 9 times in 10 when it is examined.
`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := runSampleSize(strings.Fields(tt.args)...)
			if status != exitDone || out != tt.want || errs != "" {
				t.Errorf("sample-size %s: status %d, %q\n%s\nwant\n%s", tt.args, status, errs, out, tt.want)
			}
		})
	}
}

func TestSampleSizeJSON(t *testing.T) {
	tests := []struct {
		name string
		args string
		want map[string]any // of the object
		ev   map[string]any // of its evidence
	}{
		{"default rule", "--packages 240 --json",
			map[string]any{"packages": 240.0, "examine": 5.0, "rule": "rate", "rate": "2%", "minimum": 3.0, "confidence": nil},
			map[string]any{"packages": 240.0, "examined": 5.0, "confidence": "95%", "efficacy": "100%", "smallest_packages": 108.0, "smallest_share": 0.45}},
		{"7 % of 100 is 7", "--json --packages 100 --rate 7% --minimum 1",
			map[string]any{"packages": 100.0, "examine": 7.0, "rule": "rate", "rate": "7%", "minimum": 1.0},
			map[string]any{"smallest_packages": 34.0, "smallest_share": 0.34}},
		{"comma", "--json --packages 1000 --rate 2,5%",
			map[string]any{"examine": 25.0, "rate": "2.5%", "minimum": 3.0}, nil},
		{"statistical", "--packages 1000 --confidence 0.95 --detect 1% --efficacy 0.9 --json",
			map[string]any{"packages": 1000.0, "examine": 287.0, "rule": "hypergeometric", "confidence": "95%", "detect": "1%", "efficacy": "90%", "rate": nil, "minimum": nil},
			map[string]any{"examined": 287.0, "confidence": "95%", "efficacy": "90%", "smallest_packages": 10.0, "smallest_share": 0.01}},
		{"statistical, table value", "--packages 1000 --detect 1% --json",
			map[string]any{"examine": 258.0, "rule": "hypergeometric", "confidence": "95%", "efficacy": "100%"}, nil},
		{"evidence stays at 95 %", "--packages 1000 --detect 1% --confidence 99% --json",
			map[string]any{"examine": 368.0, "confidence": "99%"},
			map[string]any{"confidence": "95%", "smallest_packages": 7.0}},
		{"effective level", "--packages 1000 --detect 1% --efficacy 90% --form effective-level --json",
			map[string]any{"examine": 282.0, "rule": "effective-level", "assumed": 9.0}, nil},
		{"binomial", "--packages 100000 --detect 1% --form binomial --json",
			map[string]any{"examine": 299.0, "rule": "binomial"}, nil},
		{"Poisson", "--packages 100000 --detect 1% --form poisson --json",
			map[string]any{"examine": 300.0, "rule": "poisson"}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := runSampleSize(strings.Fields(tt.args)...)
			if status != exitDone || errs != "" {
				t.Fatalf("status %d, %q", status, errs)
			}
			var got map[string]any
			dec := json.NewDecoder(strings.NewReader(out))
			if err := dec.Decode(&got); err != nil || dec.More() {
				t.Fatalf("not one JSON object: %v\n%s", err, out)
			}
			for k, want := range tt.want {
				if got[k] != want {
					t.Errorf("%s = %v, want %v", k, got[k], want)
				}
			}
			ev, _ := got["evidence"].(map[string]any)
			for k, want := range tt.ev {
				if ev[k] != want {
					t.Errorf("evidence.%s = %v, want %v", k, ev[k], want)
				}
			}
			for name, list := range map[string]any{"why": got["why"], "evidence.words": ev["words"]} {
				if l, ok := list.([]any); !ok || len(l) == 0 {
					t.Errorf("%s = %v, want sentences", name, list)
				}
			}
		})
	}
}

func TestSampleSizeRefuses(t *testing.T) {
	tests := []struct {
		name   string
		args   []string
		status int
		want   string
	}{
		{"no packages", []string{"--packages", "0"}, exitRefused, "lastlook: --packages: There is nothing to sample: the number of packages is 0. Count the packages and enter at least 1.\n"},
		{"rate 0", []string{"--packages", "240", "--rate", "0%"}, exitRefused, "lastlook: --rate: A rate of 0 % examines nothing. Use a rate above 0 %, for instance 2 %.\n"},
		{"rate above 100 %", []string{"--packages", "240", "--rate", "150%"}, exitRefused, "lastlook: --rate: A rate of 150 % is more than all packages. Use at most 100 %.\n"},
		{"minimum 0", []string{"--packages", "240", "--minimum", "0"}, exitRefused, "lastlook: --minimum: A minimum of 0 would allow a consignment to go unexamined. Use at least 1.\n"},
		{"none infested", []string{"--packages", "50", "--detect", "1%"}, exitRefused, "lastlook: --detect: 1 % of 50 packages is less than one package: there is no such infestation to look for. Use a level of detection of 2 % or more.\n"},
		{"out of reach", []string{"--packages", "100", "--detect", "1%", "--efficacy", "0.9"}, exitRefused, "lastlook: Even examining all 100 packages would see an infestation of 1 of them with a chance of only 90 %, at an efficacy of 90 %. Accept a confidence below that, or a higher level of detection.\n"},
		{"both forms", []string{"--packages", "240", "--rate", "2%", "--detect", "1%"}, exitUsage, "lastlook: unusable arguments: use either --rate and --minimum, or --detect, --confidence, --efficacy and --form, not both\n"},
		{"both forms, by minimum", []string{"--packages", "240", "--minimum", "3", "--confidence", "99%"}, exitUsage, "lastlook: unusable arguments: use either --rate and --minimum, or --detect, --confidence, --efficacy and --form, not both\n"},
		{"packages missing", nil, exitUsage, "lastlook: unusable arguments: the number of packages is missing: add --packages 240\n"},
		{"level missing", []string{"--packages", "240", "--confidence", "99%"}, exitUsage, "lastlook: unusable arguments: the level of detection is missing: add --detect 1%\n"},
		{"unknown form", []string{"--packages", "240", "--detect", "1%", "--form", "guess"}, exitUsage, "lastlook: unusable arguments: there is no form \"guess\": use one of hypergeometric, effective-level, binomial, poisson\n"},
		{"stray word", []string{"--packages", "240", "--rate", "2", "%"}, exitUsage, ""},
		{"stray word after a rate", []string{"--packages", "240", "--rate", "2%", "please"}, exitUsage, "lastlook: unusable arguments: sample-size takes only flags, got \"please\"; a space before % needs quotes\n"},
		{"packages not a number", []string{"--packages", "many"}, exitUsage, ""},
		{"rate not a number", []string{"--packages", "240", "--rate", "two"}, exitUsage, ""},
		{"confidence not a rate", []string{"--packages", "240", "--confidence", "95", "--detect", "1%"}, exitUsage, ""},
		{"unknown flag", []string{"--parcels", "240"}, exitUsage, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := runSampleSize(tt.args...)
			if status != tt.status || out != "" {
				t.Errorf("status %d, printed %q, want %d and nothing", status, out, tt.status)
			}
			if tt.want != "" && errs != tt.want {
				t.Errorf("said %q\nwant %q", errs, tt.want)
			}
			if !strings.Contains(errs, "lastlook: ") {
				t.Errorf("said %q, want a message", errs)
			}
		})
	}
}

func TestSampleSizeHelp(t *testing.T) {
	status, out, errs := runSampleSize("-h")
	if status != exitDone || out != "" || !strings.Contains(errs, "--detect 1%") {
		t.Errorf("status %d, %q, %q", status, out, errs)
	}
}
