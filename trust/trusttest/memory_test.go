package trusttest

import (
	"testing"

	"anchorhold.test/anchorhold/trust"
)

func TestMemory(t *testing.T) {
	Run(t, func(t *testing.T) trust.Store { return NewMemory(t) })
}
