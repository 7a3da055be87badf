package pictures

import (
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/service/fault"
)

// ErrNone says that an owner has no such picture.
var ErrNone = errors.New("there is no such picture")

// Bad says that bytes can't be taken as a picture.
type Bad struct{ Why, Do string }

// Error says why and what to do.
func (e *Bad) Error() string { return "image: " + e.Why + "; " + e.Do }

// Fault describes it.
func (e *Bad) Fault() fault.Fault { return fault.FieldFault("image", e.Why, e.Do) }

// Full says that the folder has no room for another picture.
type Full struct{ Most int64 }

// Error says what to do.
func (e *Full) Error() string {
	return fmt.Sprintf("the pictures take the %d MiB that they may: ask whoever runs the service to give them more room", e.Most>>20)
}

// Fault describes it.
func (e *Full) Fault() fault.Fault { return fault.Fault{Reason: fault.TooMany, Text: e.Error()} }
