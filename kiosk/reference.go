package kiosk

import "github.com/gin-gonic/gin"

// referenceRoutes lists the routes of the reference: looking up, narrowing down,
// practising, and the supervisor's upkeep.
func (k *kiosk) referenceRoutes(e *gin.Engine) {
	k.lookupRoutes(e)
	k.practiceRoutes(e)
	k.upkeepRoutes(e)
}
