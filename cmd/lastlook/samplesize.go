package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"

	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// sampleForms are the statistical forms of --form, in the order in which help
// lists them; the first is the one taken when none is named.
var sampleForms = []struct {
	rule sampling.Rule
	plan func(int, sampling.Demand) (sampling.Plan, error)
}{
	{sampling.RuleHypergeometric, sampling.Hypergeometric},
	{sampling.RuleEffectiveLevel, sampling.EffectiveLevel},
	{sampling.RuleBinomial, sampling.Binomial},
	{sampling.RulePoisson, sampling.Poisson},
}

func sampleSizeCommand() command {
	return command{
		name:    "sample-size",
		summary: "say how many packages to examine, and what that can show",
		run:     sampleSize,
	}
}

// sampleAnswer is the object that --json prints.
type sampleAnswer struct {
	sampling.Plan
	Why      []string       `json:"why"`
	Evidence sampleEvidence `json:"evidence"`
}

// sampleEvidence says what the sample shows if all of it is clean, at a
// confidence of 95 %, in numbers and in words.
type sampleEvidence struct {
	sampling.Evidence
	Words []string `json:"words"`
}

func sampleSize(_ context.Context, t terminal, args []string) error {
	fs := newFlags(t, "sample-size", "sample-size --packages N [--rate 2% --minimum 3 | --detect 1% --confidence 95% --efficacy 100% --form hypergeometric] [--json]")
	names := make([]string, len(sampleForms))
	for i, f := range sampleForms {
		names[i] = string(f.rule)
	}
	packages := fs.Int("packages", 0, "`number` of packages in the consignment")
	rate, minimum := sampling.DefaultRate, sampling.DefaultMinimum
	fs.TextVar(&rate, "rate", rate, "`rate` of the packages to examine, rounded up: 2%, 0.5% or 0.02")
	fs.IntVar(&minimum, "minimum", minimum, "smallest `number` of packages to examine")
	demand := sampling.Demand{Confidence: sampling.DefaultConfidence, Efficacy: sampling.Whole}
	fs.TextVar(&demand.Confidence, "confidence", demand.Confidence, "`rate` of cases in which the infestation is to be seen")
	fs.TextVar(&demand.Detect, "detect", demand.Detect, "level of detection: `rate` of infested packages that is to be seen")
	fs.TextVar(&demand.Efficacy, "efficacy", demand.Efficacy, "`rate` at which an infested package is recognised when it is examined")
	form := fs.String("form", names[0], "statistical `form`: "+strings.Join(names, ", "))
	asJSON := fs.Bool("json", false, "print one JSON object")

	rest, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("sample-size takes only flags, got %q; a space before %% needs quotes", rest[0])
	}
	given := map[string]bool{}
	fs.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if !given["packages"] {
		return usagef("the number of packages is missing: add --packages 240")
	}
	byRate := given["rate"] || given["minimum"]
	statistical := given["confidence"] || given["detect"] || given["efficacy"] || given["form"]
	switch {
	case byRate && statistical:
		return usagef("use either --rate and --minimum, or --detect, --confidence, --efficacy and --form, not both")
	case statistical && !given["detect"]:
		return usagef("the level of detection is missing: add --detect 1%%")
	}

	var plan sampling.Plan
	if statistical {
		i := slices.Index(names, *form)
		if i < 0 {
			return usagef("there is no form %q: use one of %s", *form, strings.Join(names, ", "))
		}
		plan, err = sampleForms[i].plan(*packages, demand)
	} else {
		plan, err = sampling.ByRate(*packages, rate, minimum)
	}
	if err != nil {
		return nameFlag(err, given)
	}
	evidence, err := plan.Evidence(sampling.DefaultConfidence)
	if err != nil {
		return err
	}
	if *asJSON {
		enc := json.NewEncoder(t.out)
		enc.SetEscapeHTML(false)
		return enc.Encode(sampleAnswer{
			Plan:     plan,
			Why:      sentences(plan.Why()),
			Evidence: sampleEvidence{Evidence: evidence, Words: sentences(evidence.Words())},
		})
	}
	return printSample(t.out, plan, evidence)
}

func printSample(w io.Writer, plan sampling.Plan, evidence sampling.Evidence) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%d of %d packages to examine.\n", plan.Examine, plan.Packages)
	for _, s := range plan.Why() {
		fmt.Fprintf(&b, "  %s\n", s)
	}
	for _, s := range evidence.Words() {
		fmt.Fprintf(&b, "  %s\n", s)
	}
	// What a small infestation would take is the question that the rate rule
	// leaves open; the other forms have been asked it.
	if plan.Rule == sampling.RuleRate {
		for _, share := range []sampling.Rate{2 * sampling.Percent, 10 * sampling.Percent} {
			texts, err := evidence.Against(share)
			if err != nil {
				continue // less than one package: there is no such infestation
			}
			fmt.Fprintf(&b, "  %s\n", strings.Join(sentences(texts), " "))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func sentences(texts []say.Text) []string {
	s := make([]string, len(texts))
	for i, t := range texts {
		s[i] = t.String()
	}
	return s
}

// nameFlag puts the flag that a refusal is about in front of it.
func nameFlag(err error, given map[string]bool) error {
	var r *say.Refusal
	if errors.As(err, &r) && given[r.Field] {
		return fmt.Errorf("--%s: %w", r.Field, err)
	}
	return err
}
