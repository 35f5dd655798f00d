package kiosk

import "github.com/gin-gonic/gin"

// stoppedRoutes lists the routes of stops and holds.
func (k *kiosk) stoppedRoutes(e *gin.Engine) {
}
