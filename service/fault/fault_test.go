package fault_test

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/service/fault"
)

func TestStatus(t *testing.T) {
	cases := []struct {
		name   string
		err    error
		code   codes.Code
		reason fault.Reason
		text   string
	}{
		{"field", fault.InvalidField("zone", `"Mars/Crater" is no zone`, "give a name of the tz database"), codes.InvalidArgument, fault.FieldInvalid, `zone: "Mars/Crater" is no zone; give a name of the tz database`},
		{"wrapped", fmt.Errorf("open site: %w", &fault.MissingError{Kind: "site", Name: "sites/hill"}), codes.NotFound, fault.NotFound, "there is no site sites/hill, or you were not granted it"},
		{"exists", &fault.ExistsError{Kind: "machine", Name: "machines/two"}, codes.AlreadyExists, fault.AlreadyExists, "there is a machine machines/two already: choose another name, or change that one"},
		{"refused", &fault.RefusedError{Why: "the season is closed", Fix: "open it first"}, codes.FailedPrecondition, fault.Refused, "the season is closed; open it first"},
		{"agent", fault.New(fault.AgentRevoked, "agent a1 was revoked", "agent", "a1"), codes.PermissionDenied, fault.AgentRevoked, "agent a1 was revoked"},
		{"cancelled", fmt.Errorf("wait: %w", context.Canceled), codes.Canceled, fault.Cancelled, "the call was cancelled by its caller"},
		{"unknown", errors.New("open /var/lib/secret: denied"), codes.Internal, fault.Internal, "the service failed on this call; its log has the cause"},
		{"bytes", fault.New(fault.Refused, "name \xff"), codes.FailedPrecondition, fault.Refused, "name ?"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := fault.Status(c.err)
			require.Error(t, got)
			assert.Equal(t, c.code, status.Code(got))
			assert.Equal(t, c.reason, fault.ReasonOf(got))
			assert.Equal(t, c.text, status.Convert(got).Message())
		})
	}
}

func TestStatusKeepsStatus(t *testing.T) {
	assert.NoError(t, fault.Status(nil))
	err := status.Error(codes.Unimplemented, "no such method")
	assert.Equal(t, err, fault.Status(err))
}

func TestDetails(t *testing.T) {
	err := fault.Status(fault.InvalidField("page_size", "-1 is below 0", "leave it out for the default"))
	assert.Equal(t, []fault.Field{{Path: "page_size", Why: "-1 is below 0; leave it out for the default"}}, fault.FieldsOf(err))
	assert.Equal(t, map[string]string{"field": "page_size"}, fault.MetaOf(err))
	assert.Equal(t, "a1", fault.MetaOf(fault.Status(fault.New(fault.AgentRevoked, "x", "agent", "a1")))["agent"])
}

func TestCauseIsForTheLogOnly(t *testing.T) {
	cause := errors.New("bucket missing")
	err := fault.New(fault.JournalStopped, "the journal can't be written; try again later").Because(cause)
	assert.ErrorIs(t, err, cause)
	assert.Contains(t, err.Error(), "bucket missing")
	assert.NotContains(t, status.Convert(fault.Status(err)).Message(), "bucket")
}

func TestReasonsAreInForm(t *testing.T) {
	form := regexp.MustCompile(`^[A-Z][A-Z0-9_]{1,61}[A-Z0-9]$`)
	for _, r := range []fault.Reason{fault.FieldInvalid, fault.Refused, fault.NotFound, fault.AlreadyExists, fault.EtagMismatch,
		fault.NotSignedIn, fault.NotAllowed, fault.TooLarge, fault.TooMany, fault.Stopping, fault.JournalStopped, fault.Cancelled,
		fault.DeadlineExceeded, fault.Internal, fault.AgentUnknown, fault.AgentSuspended, fault.AgentRevoked, fault.AgentReplaced,
		fault.TokenUnknown, fault.TokenExpired, fault.TokenUsed, fault.SpoolForked, fault.SpoolGap, fault.StreamOrder} {
		assert.Regexp(t, form, string(r))
		want := codes.Internal
		if got := status.Code(fault.Status(fault.New(r, "x"))); r != fault.Internal {
			assert.NotEqual(t, want, got, "%s is not in the table", r)
		}
	}
}
