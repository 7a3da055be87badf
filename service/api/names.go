package api

import (
	"encoding/hex"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/service/fault"
)

// all stands for every parent (AIP-159).
const all = "-"

// parse reads a resource name by its pattern, "machines/{machine}/points/{point}":
// what stands in braces is given back in order.
func parse(field, pattern, name string) ([]string, error) {
	want, have := strings.Split(pattern, "/"), strings.Split(name, "/")
	bad := fault.InvalidField(field, fmt.Sprintf("%q is no such name", cut(name)), "give it as "+pattern)
	if len(want) != len(have) {
		return nil, bad
	}
	var parts []string
	for i := range want {
		switch {
		case strings.HasPrefix(want[i], "{"):
			if have[i] == "" || len(have[i]) > 128 {
				return nil, bad
			}
			parts = append(parts, have[i])
		case want[i] != have[i]:
			return nil, bad
		}
	}
	return parts, nil
}

// cut keeps a text from outside short in a message.
func cut(s string) string {
	if len(s) <= 100 {
		return s
	}
	return strings.ToValidUTF8(s[:100], "") + "..."
}

func parseMachine(field, name string) (string, error) {
	parts, err := parse(field, "machines/{machine}", name)
	if err != nil {
		return "", err
	}
	return parts[0], nil
}

func machineName(id string) string { return "machines/" + id }

func customerName(id string) string { return "customers/" + id }

func siteName(customer, site string) string { return customerName(customer) + "/sites/" + site }

func editionName(chart string, edition uint32) string {
	return fmt.Sprintf("charts/%s/editions/%d", chart, edition)
}

// parseEdition reads an edition's name; number 0 is the newest.
func parseEdition(field, name string) (chart string, edition uint32, err error) {
	parts, err := parse(field, "charts/{chart}/editions/{edition}", name)
	if err != nil {
		return "", 0, err
	}
	if parts[1] == all {
		return parts[0], 0, nil
	}
	n, err := strconv.ParseUint(parts[1], 10, 32)
	if err != nil || n == 0 {
		return "", 0, fault.InvalidField(field, fmt.Sprintf("%q is no edition", cut(parts[1])), "give a number from 1, or - for the newest")
	}
	return parts[0], uint32(n), nil
}

// taskPath gives points/{point}/tasks/{task} of a task's id, "point/task".
func taskPath(id string) string {
	point, task, _ := strings.Cut(id, "/")
	return "points/" + point + "/tasks/" + task
}

func taskName(machine, id string) string { return machineName(machine) + "/" + taskPath(id) }

// parseTask reads a task's full name.
func parseTask(field, name string) (machine, id string, err error) {
	parts, err := parse(field, "machines/{machine}/points/{point}/tasks/{task}", name)
	if err != nil {
		return "", "", err
	}
	return parts[0], parts[1] + "/" + parts[2], nil
}

// parseTaskPath reads a task's name in its machine.
func parseTaskPath(field, path string) (string, error) {
	parts, err := parse(field, "points/{point}/tasks/{task}", path)
	if err != nil {
		return "", err
	}
	return parts[0] + "/" + parts[1], nil
}

func noticeName(machine string, id maintenance.NoticeID) string {
	return machineName(machine) + "/notices/" + id.String()
}

func parseNotice(field, name string) (machine string, id maintenance.NoticeID, err error) {
	parts, err := parse(field, "machines/{machine}/notices/{notice}", name)
	if err != nil {
		return "", id, err
	}
	b, err := hex.DecodeString(parts[1])
	if err != nil || len(b) != len(id) {
		return "", id, fault.InvalidField(field, fmt.Sprintf("%q is no notice's id", cut(parts[1])), "give its 32 hexadecimal digits")
	}
	return parts[0], maintenance.NoticeID(b), nil
}

// keyID writes an event's key as part of a name: its stream in hexadecimal
// digits and, where there is one, its sequence number behind a dash.
func keyID(k maintenance.Key) string {
	if k.Seq == 0 {
		return hex.EncodeToString(k.Stream[:])
	}
	return fmt.Sprintf("%x-%d", k.Stream, k.Seq)
}

func parseKey(field, s string) (k maintenance.Key, err error) {
	stream, seq, numbered := strings.Cut(s, "-")
	b, err := hex.DecodeString(stream)
	if numbered && err == nil {
		k.Seq, err = strconv.ParseUint(seq, 10, 64)
	}
	if err != nil || len(b) != len(k.Stream) || numbered && k.Seq == 0 {
		return k, fault.InvalidField(field, fmt.Sprintf("%q is no such id", cut(s)), "give it as it was listed")
	}
	k.Stream = [16]byte(b)
	return k, nil
}

func recordName(machine string, k maintenance.Key) string {
	return machineName(machine) + "/records/" + keyID(k)
}

func doubtName(machine string, k maintenance.Key) string {
	return machineName(machine) + "/doubts/" + keyID(k)
}

func parseKeyed(field, pattern, name string) (machine string, k maintenance.Key, err error) {
	parts, err := parse(field, pattern, name)
	if err != nil {
		return "", k, err
	}
	k, err = parseKey(field, parts[1])
	return parts[0], k, err
}

func agentName(machine, id string) string { return machineName(machine) + "/agents/" + id }

var uuidForm = regexp.MustCompile(`^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}$`)

// parseUUID reads a request id; an empty one gives zero.
func parseUUID(field, s string) (id [16]byte, err error) {
	if s == "" {
		return id, nil
	}
	bad := fault.InvalidField(field, fmt.Sprintf("%q is no UUID", cut(s)), "give one as 01234567-89ab-4cde-8f01-23456789abcd, or leave it out")
	if !uuidForm.MatchString(s) {
		return id, bad
	}
	if _, err := hex.Decode(id[:], []byte(strings.ReplaceAll(s, "-", ""))); err != nil || id == [16]byte{} {
		return id, bad
	}
	return id, nil
}

// The patterns of what stands under a machine by an event's key.
const (
	remarkPattern = "machines/{machine}/remarks/{remark}"
	walkPattern   = "machines/{machine}/walks/{walk}"
)

// keyedName gives the name of something under a machine by an event's key, "" of
// the zero key.
func keyedName(machine, collection string, k maintenance.Key) string {
	if k.IsZero() {
		return ""
	}
	return machineName(machine) + "/" + collection + "/" + keyID(k)
}

func remarkName(machine string, k maintenance.Key) string { return keyedName(machine, "remarks", k) }

func walkName(machine string, k maintenance.Key) string { return keyedName(machine, "walks", k) }

func pictureName(machine string, sum [32]byte) string {
	return machineName(machine) + "/pictures/" + hex.EncodeToString(sum[:])
}

// parsePicture reads a picture's name.
func parsePicture(field, name string) (machine string, sum [32]byte, err error) {
	parts, err := parse(field, "machines/{machine}/pictures/{picture}", name)
	if err != nil {
		return "", sum, err
	}
	b, err := hex.DecodeString(parts[1])
	if err != nil || len(b) != len(sum) {
		return "", sum, fault.InvalidField(field, fmt.Sprintf("%q is no picture's id", cut(parts[1])), "give its 64 hexadecimal digits")
	}
	return parts[0], [32]byte(b), nil
}

// fieldAt names one of a repeated field.
func fieldAt(field string, i int) string { return fmt.Sprintf("%s[%d]", field, i) }
