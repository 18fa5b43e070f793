package server

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"benchyard/server/api"
)

// getDocument answers with the OpenAPI document itself.
func (s *Server) getDocument(c echo.Context) error {
	return c.Blob(http.StatusOK, "application/yaml", api.Document)
}
