package fault

import (
	"fmt"
	"strings"
)

// MissingError says that there is no resource of this kind and name.
type MissingError struct{ Kind, Name string }

// Error says what is missing.
func (e *MissingError) Error() string { return Missing(e.Kind, e.Name).Error() }

// Fault describes it.
func (e *MissingError) Fault() Fault { return Missing(e.Kind, e.Name).Is }

// ExistsError says that a name is taken.
type ExistsError struct{ Kind, Name string }

// Error says which.
func (e *ExistsError) Error() string {
	article := "a"
	if strings.ContainsAny(e.Kind[:min(1, len(e.Kind))], "aeio") {
		article = "an"
	}
	return fmt.Sprintf("there is %s %s %s already: choose another name, or change that one", article, e.Kind, e.Name)
}

// Fault describes it.
func (e *ExistsError) Fault() Fault {
	return Fault{Reason: AlreadyExists, Text: e.Error(), Meta: map[string]string{"kind": e.Kind, "name": e.Name}}
}

// RefusedError says that a request can't be taken: which field (empty where
// none is at fault), why, and what to do.
type RefusedError struct{ Field, Why, Fix string }

// Error says all three.
func (e *RefusedError) Error() string {
	if e.Field == "" {
		return join(e.Why, e.Fix)
	}
	return join(e.Field+": "+e.Why, e.Fix)
}

// Fault describes it.
func (e *RefusedError) Fault() Fault {
	if e.Field == "" {
		return Fault{Reason: Refused, Text: e.Error()}
	}
	return FieldFault(e.Field, e.Why, e.Fix)
}
