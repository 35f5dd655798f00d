package kiosk

import "github.com/gin-gonic/gin"

// boardRoutes lists the routes of the board.
func (k *kiosk) boardRoutes(e *gin.Engine) {
}
