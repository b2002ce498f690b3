package preconditions

import (
	"context"
	"errors"

	"rundown/devices"
)

var errNotYet = errors.New("preconditions: not written yet")

func DefaultSet() Set { return Set{} }
func Check(ctx context.Context, l devices.Link, h Handset, s Set) (Report, error) {
	return Report{}, errNotYet
}
func Apply(ctx context.Context, l devices.Link, h Handset, s Set, record func(Change) error) (Report, error) {
	return Report{}, errNotYet
}
func Restore(ctx context.Context, l devices.Link, changes []Change) error { return errNotYet }
func Watch(ctx context.Context, l devices.Link, h Handset, s Set) ([]Line, error) {
	return nil, errNotYet
}
func (s Spec) Want(value any) (Want, error) { return Want{}, errNotYet }
