package say

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"
)

func TestTextRoundTrip(t *testing.T) {
	tests := []struct {
		name string
		text Text
		want string
	}{
		{"plain", T("Scan a package."), "Scan a package."},
		{"whole number keeps %d", T("Unit %d of %d.", 7, 12), "Unit 7 of 12."},
		{"large number", T("%d packages", int64(9007199254740993)), "9007199254740993 packages"},
		{"fraction keeps %f", T("%.1f %%", 45.1), "45.1 %"},
		{"text in text", T("Stopped: %s", T("find %d", 3)), "Stopped: find 3"},
		{"list of texts", T("Left: %s", []Text{T("%d look", 1), T("count")}), "Left: 1 look, count"},
		{"moment says its zone", T("Begin at %s.", Moment(time.Date(2026, 11, 25, 9, 5, 0, 0, time.FixedZone("", 3600)))), "Begin at 2026-11-25 08:05 UTC."},
		{"markup stays as it is", T("crop %q", "<script>"), `crop "<script>"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.text.String(); got != tt.want {
				t.Errorf("String() = %q, want %q", got, tt.want)
			}
			b, err := json.Marshal(tt.text)
			if err != nil {
				t.Fatal(err)
			}
			var back Text
			if err := json.Unmarshal(b, &back); err != nil {
				t.Fatal(err)
			}
			if got := back.String(); got != tt.want {
				t.Errorf("after JSON %s: String() = %q, want %q", b, got, tt.want)
			}
		})
	}
}

func TestCodeOf(t *testing.T) {
	cause := errors.New("disk")
	err := fmt.Errorf("saving: %w", Refuse(Storage, "The disk is full.").Because(cause))
	if got := CodeOf(err); got != Storage {
		t.Errorf("CodeOf = %q, want %q", got, Storage)
	}
	if !errors.Is(err, cause) {
		t.Error("the cause is not in the chain")
	}
	if got := CodeOf(cause); got != "" {
		t.Errorf("CodeOf(plain error) = %q, want none", got)
	}
}
