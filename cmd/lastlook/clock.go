package main

import (
	"fmt"
	"time"
)

// ahead is how far the clock of the bench runs ahead, like "74h". It is set when the
// test of what lapses links its program, and by nothing else: no flag reaches it.
var ahead string

// clock gives the clock of the bench; nil is the machine's own.
func clock() (func() time.Time, error) {
	if ahead == "" {
		return nil, nil
	}
	by, err := time.ParseDuration(ahead)
	if err != nil {
		return nil, fmt.Errorf("this program was linked with a clock that cannot be read: %w", err)
	}
	return func() time.Time { return time.Now().Add(by) }, nil
}
