package kiosk

import (
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// isolateRoutes lists the routes of places, the detailed examination and coming back.
func (k *kiosk) isolateRoutes(e *gin.Engine) {
}

// where reports whether the page asks where packages stand.
func (p spot) where() bool {
	return strings.HasPrefix(p.path, "/c/") && strings.Contains(p.path, "/where")
}

// scanBetweenRounds answers a package while no inspection of it is under way: it
// asks where the package stands.
func (k *kiosk) scanBetweenRounds(s scanned, st *consignment.State, n int, p consignment.Package) (answer, error) {
	if !st.Present(n) {
		return wrong(say.T("Package %03d was taken out of %s.", n, st.Number), say.T("Put it aside and ask the supervisor.")), nil
	}
	if s.spot.where() {
		return right(say.T("Package %03d: scan the place where it stands.", n), "/c/"+st.Code+"/where?p="+itoa(n)), nil
	}
	return right(say.T("%s, package %03d: %s", st.Number, n, p.CropLine.Crop), nextPath(st, benchOf(s.gin))), nil
}

// scanLocation puts what is on the screen in a place: a sample, a package, or a
// whole consignment. The same place scanned again confirms a move that was doubted.
func (k *kiosk) scanLocation(s scanned, location string) (answer, error) {
	places, err := k.store.Places(s.ctx)
	if err != nil {
		return answer{}, err
	}
	p, ok := places.Place(location)
	if !ok || p.Retired {
		return wrong(say.T("No place here has this code."), say.T("A supervisor keeps the list of places.")), nil
	}
	if sample, ok := strings.CutPrefix(s.spot.path, "/s/"); ok {
		sample, _, _ = strings.Cut(sample, "?")
		in, err := k.store.SampleOf(s.ctx, sample)
		if err != nil {
			return answer{}, err
		}
		if _, err := k.take(s, in, consignment.MoveSample{Sample: sample, Step: consignment.Stored, Place: p.Name}); err != nil {
			return answer{}, err
		}
		return right(say.T("Sample %s is in %s.", sample, p.Name), "/s/"+sample), nil
	}
	if s.spot.consignment == "" {
		return note(say.T("%s (%s)", p.Name, p.Kind.Words()), say.T("Scan a package, a sample or a consignment first, then the place where you put it."), ""), nil
	}
	st, err := k.store.Consignment(s.ctx, s.spot.consignment)
	if err != nil {
		return answer{}, err
	}
	move := consignment.Move{
		Place: consignment.Place{Code: p.ID, Name: p.Name, Kind: consignment.PlaceKind(p.Kind)},
		Sure:  s.spot.query.Get("doubt") == p.ID,
	}
	back := "/c/" + st.Code + "/where"
	one, _ := strconv.Atoi(s.spot.query.Get("p"))
	if s.spot.where() && one > 0 {
		move.Packages = []int{one}
		back += "?p=" + itoa(one)
	}
	next, err := k.take(s, st.Code, move)
	if say.CodeOf(err) == say.Conflict {
		sep := "?"
		if one > 0 {
			sep = "&"
		}
		a := wrong(asRefusal(err).Text, say.Text{})
		a.Go = back + sep + "doubt=" + p.ID
		return a, nil
	}
	if err != nil {
		return answer{}, err
	}
	if one > 0 && len(move.Packages) > 0 {
		return right(say.T("Package %03d is in %s.", one, p.Name), "/c/"+next.Code+"/where"), nil
	}
	return right(say.T("All of %s is in %s.", next.Number, p.Name), nextPath(next, benchOf(s.gin))), nil
}
