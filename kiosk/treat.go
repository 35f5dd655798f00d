package kiosk

import "github.com/gin-gonic/gin"

// treatRoutes lists the routes of treatments and disposals.
func (k *kiosk) treatRoutes(e *gin.Engine) {
}
