//go:build !linux && !darwin

package web

import "errors"

func rename2(int, string, string) error { return errors.ErrUnsupported }
