package sampling_test

import (
	"fmt"

	"lastlook/internal/sampling"
)

func Example() {
	plan, err := sampling.ByRate(240, sampling.DefaultRate, sampling.DefaultMinimum)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("Examine", plan.Examine)
	evidence, err := plan.Evidence(sampling.DefaultConfidence)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, sentence := range evidence.Words() {
		fmt.Println(sentence)
	}
	// Output:
	// Examine 5
	// If all 5 are clean: an infestation of 45 % of the packages (108 of 240) or more would have been seen, 19 times in 20.
	// A smaller one may be missed.
	// This assumes that an infested package is recognised whenever it is examined.
}

func ExampleHypergeometric() {
	plan, err := sampling.Hypergeometric(1000, sampling.Demand{
		Confidence: 95 * sampling.Percent,
		Detect:     1 * sampling.Percent,
		Efficacy:   sampling.Whole,
	})
	fmt.Println(plan.Examine, err)
	// Output: 258 <nil>
}

func ExampleAllocate() {
	fmt.Println(sampling.Allocate(5, []int{120, 80, 40}))
	// Output: [2 2 1] <nil>
}
