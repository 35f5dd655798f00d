package kiosk

import "github.com/gin-gonic/gin"

func (k *kiosk) practiceRoutes(e *gin.Engine) {}
