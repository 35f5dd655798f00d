package sampling

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lastlook/internal/say"
)

func TestAllocate(t *testing.T) {
	tests := []struct {
		name  string
		total int
		sizes []int
		want  []int
	}{
		{"even", 6, []int{10, 10, 10}, []int{2, 2, 2}},
		{"largest remainder", 5, []int{120, 80, 40}, []int{2, 2, 1}}, // quotas 2.5, 1.67, 0.83
		{"tie goes to the earlier line", 1, []int{10, 10}, []int{1, 0}},
		{"two left, three tied", 5, []int{10, 10, 10}, []int{2, 2, 1}},
		{"a small line may get nothing", 5, []int{230, 10}, []int{5, 0}},
		{"everything", 14, []int{3, 0, 11}, []int{3, 0, 11}},
		{"nothing", 0, []int{3, 11}, []int{0, 0}},
		{"an empty line gets nothing", 3, []int{0, 2, 0, 2}, []int{0, 2, 0, 1}},
		{"one line", 5, []int{240}, []int{5}},
		{"no lines", 0, nil, []int{}},
		{"only empty lines", 0, []int{0, 0}, []int{0, 0}},
		{"largest", 9_999_999, []int{MaxPackages - 1, 1}, []int{9_999_998, 1}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Allocate(tt.total, tt.sizes)
			if err != nil || !slices.Equal(got, tt.want) {
				t.Errorf("Allocate(%d, %v) = %v, %v, want %v", tt.total, tt.sizes, got, err, tt.want)
			}
		})
	}
}

func TestAllocateRefuses(t *testing.T) {
	tests := []struct {
		name  string
		total int
		sizes []int
		want  string
	}{
		{"negative total", -1, []int{3}, "A sample of -1 cannot be spread over crop lines of 3 packages together. Use a number from 0 to 3."},
		{"more than there are", 4, []int{1, 2}, "A sample of 4 cannot be spread over crop lines of 3 packages together. Use a number from 0 to 3."},
		{"no lines", 1, nil, "A sample of 1 cannot be spread over crop lines of 0 packages together. Use a number from 0 to 0."},
		{"negative line", 1, []int{3, -2}, "Crop line 2 cannot have -2 packages. Count it again."},
		{"line too large", 1, []int{MaxPackages + 1}, "Crop line 1 cannot have 10000001 packages. Count it again."},
		{"too many together", 1, []int{MaxPackages, 1}, "The crop lines have more than 10000000 packages together. Check the numbers, or split the consignment."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Allocate(tt.total, tt.sizes)
			if got != nil || say.CodeOf(err) != say.Invalid || err.Error() != tt.want {
				t.Errorf("Allocate(%d, %v) = %v, %v, want %q", tt.total, tt.sizes, got, err, tt.want)
			}
		})
	}
}

func TestAllocateProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.SliceOfN(rapid.OneOf(rapid.IntRange(0, 5), rapid.IntRange(0, 100_000)), 1, 30).Draw(t, "sizes")
		sum := 0
		for _, s := range sizes {
			sum += s
		}
		total := rapid.IntRange(0, sum).Draw(t, "total")
		got, err := Allocate(total, sizes)
		if err != nil {
			t.Fatal(err)
		}
		spread := 0
		for i, g := range got {
			spread += g
			if g < 0 || g > sizes[i] {
				t.Fatalf("line %d of %d gets %d", i, sizes[i], g)
			}
			// Within one of the quota, on whole numbers: |g·sum - total·size| < sum, or both 0.
			if off := g*sum - total*sizes[i]; off != 0 && (off <= -sum || off >= sum) {
				t.Fatalf("line %d gets %d, quota %d/%d", i, g, total*sizes[i], sum)
			}
			// Who got one more has no smaller remainder than who did not; between
			// equal ones the earlier is served first.
			for j, h := range got {
				ri, rj := total*sizes[i]%max(sum, 1), total*sizes[j]%max(sum, 1)
				up := func(k, v int) bool { return v*sum > total*sizes[k] }
				if up(i, g) && !up(j, h) && (rj > ri || rj == ri && j < i) {
					t.Fatalf("line %d was served before line %d: %v", i, j, got)
				}
			}
		}
		if spread != total {
			t.Fatalf("%v adds up to %d, want %d", got, spread, total)
		}
	})
}
