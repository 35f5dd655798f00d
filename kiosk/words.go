package kiosk

import (
	"errors"
	"fmt"
	"strconv"

	"lastlook/internal/code"
	"lastlook/internal/say"
)

func itoa(n int) string { return strconv.Itoa(n) }

// pad writes a package number as it stands on labels and tiles: at least three digits.
func pad(n int) string { return fmt.Sprintf("%03d", n) }

// packageCode is the identifier on a package's label.
func packageCode(consignment string, n int) code.Code { return code.Package(consignment, n) }

// packagePath is the examining screen of a package.
func packagePath(consignment string, n int) string { return "/c/" + consignment + "/p/" + itoa(n) }

// asRefusal gives the refusal in err's chain that a form can show beside its
// fields; other errors, and refusals that are not about what was typed or pressed,
// get a page of their own.
func asRefusal(err error) *say.Refusal {
	var r *say.Refusal
	if !errors.As(err, &r) {
		return nil
	}
	switch r.Code {
	case say.Invalid, say.Illegal, say.Forbidden, say.Conflict:
		return r
	}
	return nil
}
