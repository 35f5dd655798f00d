package sampling

import (
	"slices"

	"lastlook/internal/say"
)

// Allocate spreads total packages over crop lines in proportion to their sizes,
// by the largest remainder (Hamilton's method): every line gets its exact quota
// total × size / sum rounded down, and what is left goes to the lines with the
// largest remainders, the earlier line first when they are equal. The result
// adds up to total, no line gets more than its size, and none is more than one
// away from its quota. A small line may get nothing.
//
// A total that is negative or more than there is, a negative size, or more than
// [MaxPackages] in all is refused. A larger total can, rarely, give one line
// less: that is known of the method (the Alabama paradox).
func Allocate(total int, sizes []int) ([]int, error) {
	sum := 0
	for i, s := range sizes {
		if s < 0 || s > MaxPackages {
			return nil, say.Refuse(say.Invalid, "Crop line %d cannot have %d packages. Count it again.", i+1, s).For("sizes")
		}
		if sum += s; sum > MaxPackages {
			return nil, say.Refuse(say.Invalid, "The crop lines have more than %d packages together. Check the numbers, or split the consignment.", MaxPackages).For("sizes")
		}
	}
	if total < 0 || total > sum {
		return nil, say.Refuse(say.Invalid, "A sample of %d cannot be spread over crop lines of %d packages together. Use a number from 0 to %d.", total, sum, sum).For("total")
	}
	shares := make([]int, len(sizes))
	if sum == 0 {
		return shares, nil
	}
	left := total
	order := make([]int, len(sizes))
	remainders := make([]int64, len(sizes))
	for i, s := range sizes {
		product := int64(total) * int64(s)
		shares[i] = int(product / int64(sum))
		remainders[i] = product % int64(sum)
		left -= shares[i]
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch ra, rb := remainders[a], remainders[b]; {
		case ra > rb:
			return -1
		case ra < rb:
			return 1
		}
		return 0
	})
	// Fewer are left than there are remainders above zero, so a line that already
	// has its exact quota, and with it an empty or an exhausted one, gets no more.
	for _, i := range order[:left] {
		shares[i]++
	}
	return shares, nil
}
