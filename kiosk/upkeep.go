package kiosk

import "github.com/gin-gonic/gin"

func (k *kiosk) upkeepRoutes(e *gin.Engine) {}
