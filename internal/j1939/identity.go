package j1939

// IdentityKind says which of the groups of identity a message is.
type IdentityKind uint8

// The kinds, with their fields in order.
const (
	IdentityVehicle   IdentityKind = iota + 1 // 65260: vehicle identification number; what follows is the maker's own
	IdentityComponent                         // 65259: make, model, serial number, unit number
	IdentitySoftware                          // 65242: as many as the sender has
	IdentityECU                               // 64965: part number, serial number, location, type, manufacturer, hardware
	IdentityProduct                           // 64653: code, brand, model (ISO 11783-12)
)

// String gives the word for people and programs.
func (k IdentityKind) String() string {
	words := [...]string{IdentityVehicle: "vehicle", IdentityComponent: "component", IdentitySoftware: "software", IdentityECU: "control unit", IdentityProduct: "product"}
	if int(k) < len(words) && words[k] != "" {
		return words[k]
	}
	return "unknown"
}

const (
	maxFields = 16
	fieldEnd  = '*'
)

// Identity is a message in which a source tells what it is: text fields, each ended by '*'. The last one may lack its
// end. Fields may be missing or empty.
type Identity struct {
	Kind   IdentityKind
	Source Address
	data   []byte
	fields [maxFields][2]uint16
	n      int
	more   bool
}

// Len is the number of fields, at most 16.
func (m *Identity) Len() int { return m.n }

// More tells that the message has more fields than are kept.
func (m *Identity) More() bool { return m.more }

// Bytes gives field i (from 0) as sent, without zero bytes and blanks at its ends; nothing where there is none. The slice
// is valid until the next call of the Bus.
func (m *Identity) Bytes(i int) []byte {
	if i < 0 || i >= m.n {
		return nil
	}
	return m.data[m.fields[i][0]:m.fields[i][1]]
}

// Text gives field i with every byte that is no printable ASCII as '?'. It allocates.
func (m *Identity) Text(i int) string {
	b := append([]byte(nil), m.Bytes(i)...)
	for k, c := range b {
		if c < ' ' || c > '~' {
			b[k] = '?'
		}
	}
	return string(b)
}

func identityKind(g Group) IdentityKind {
	switch g {
	case GroupVehicle:
		return IdentityVehicle
	case GroupComponent:
		return IdentityComponent
	case GroupSoftware:
		return IdentitySoftware
	case GroupECU:
		return IdentityECU
	case GroupProduct:
		return IdentityProduct
	}
	return 0
}

// decode splits data into fields; it keeps data.
func (m *Identity) decode(kind IdentityKind, source Address, data []byte) {
	*m = Identity{Kind: kind, Source: source, data: data}
	start := 0
	if kind == IdentitySoftware && len(data) > 0 { // byte 0 is the number of fields
		start = 1
	}
	for i := start; i < len(data); i++ {
		if data[i] == fieldEnd {
			m.add(start, i)
			start = i + 1
		}
	}
	if rest := data[min(start, len(data)):]; !isFill(rest) {
		m.add(start, len(data))
	}
}

func (m *Identity) add(from, to int) {
	if m.n == maxFields {
		m.more = true
		return
	}
	for from < to && blank(m.data[from]) {
		from++
	}
	for to > from && blank(m.data[to-1]) {
		to--
	}
	m.fields[m.n] = [2]uint16{uint16(from), uint16(to)}
	m.n++
}

func blank(c byte) bool { return c == 0 || c == ' ' || c == 0xFF }

func isFill(b []byte) bool {
	for _, c := range b {
		if !blank(c) {
			return false
		}
	}
	return true
}
