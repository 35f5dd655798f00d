package kiosk

import "github.com/gin-gonic/gin"

func (k *kiosk) lookupRoutes(e *gin.Engine) {}
