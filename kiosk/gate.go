package kiosk

import (
	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// gateRoutes lists the routes of the gate.
func (k *kiosk) gateRoutes(e *gin.Engine) {
}

// gatePath is the gate with a consignment that is being loaded.
func gatePath(code string) string { return "/gate?c=" + code }

// scanAtGate takes a package through the gate.
func (k *kiosk) scanAtGate(s scanned, st *consignment.State, n int) (answer, error) {
	if loading := s.spot.query.Get("c"); loading != "" && loading != st.Code {
		return wrong(say.T("Another consignment: %s, package %03d.", st.Number, n), say.T("Put it back: it does not go on this vehicle.")), nil
	}
	if _, err := k.take(s, st.Code, consignment.Load{Package: n}); err != nil {
		return answer{}, err
	}
	return right(say.T("Package %03d goes aboard.", n), gatePath(st.Code)), nil
}
