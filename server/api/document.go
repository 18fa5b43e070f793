package api

import _ "embed"

// Document is the OpenAPI 3.0.3 document of everything under /api/v1.
//
//go:embed openapi.yaml
var Document []byte
