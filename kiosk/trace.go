package kiosk

import "github.com/gin-gonic/gin"

// traceRoutes lists the routes of tracing.
func (k *kiosk) traceRoutes(e *gin.Engine) {
}
