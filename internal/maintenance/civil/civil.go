// Package civil holds dates of the calendar without a time or a zone.
package civil

import (
	"errors"
	"fmt"
)

// ErrFormat is wrapped by every error of Parse.
var ErrFormat = errors.New("not a date")

// Date counts days since 1970-01-01 in the proleptic Gregorian calendar. The
// zero value is 1970-01-01; None means that no date is known.
type Date int32

// None is the date that is not known.
const None Date = -1 << 31

// First and Last bound the dates that are written as year-month-day.
const (
	First Date = -719162 // 0001-01-01
	Last  Date = 2932896 // 9999-12-31
)

// Weekday numbers the days of the week as ISO 8601 does.
type Weekday uint8

// The days of the week.
const (
	Monday Weekday = iota + 1
	Tuesday
	Wednesday
	Thursday
	Friday
	Saturday
	Sunday
)

// Of returns the date of a year (1..9999), month (1..12) and day; false where
// there is no such day.
func Of(year, month, day int) (Date, bool) {
	if year < 1 || year > 9999 || month < 1 || month > 12 || day < 1 || day > DaysIn(year, month) {
		return None, false
	}
	return of(int64(year), int64(month), int64(day)), true
}

// Days of a 400 year cycle, and the days from 0000-03-01 to 1970-01-01.
const (
	cycleDays = 146097
	epochDays = 719468
)

// of counts from 1 March, so that the leap day is the last of its year and a
// month's start is (153*m+2)/5.
func of(y, m, d int64) Date {
	if m <= 2 {
		y--
		m += 12
	}
	cycle := floorDiv(y, 400)
	yoc := y - cycle*400
	doy := (153*(m-3)+2)/5 + d - 1
	return Date(cycle*cycleDays + yoc*365 + yoc/4 - yoc/100 + doy - epochDays)
}

// YMD returns year, month and day. For None all are 0.
func (d Date) YMD() (year, month, day int) {
	if d == None {
		return 0, 0, 0
	}
	n := int64(d) + epochDays
	cycle := floorDiv(n, cycleDays)
	doc := n - cycle*cycleDays
	yoc := (doc - doc/1460 + doc/36524 - doc/146096) / 365
	doy := doc - (365*yoc + yoc/4 - yoc/100)
	mp := (5*doy + 2) / 153
	y, m := cycle*400+yoc, mp+3
	if m > 12 {
		y++
		m -= 12
	}
	return int(y), int(m), int(doy - (153*mp+2)/5 + 1)
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// DaysIn returns the number of days of a month (1..12).
func DaysIn(year, month int) int {
	switch month {
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// Known reports whether d is a date that can be written.
func (d Date) Known() bool { return d >= First && d <= Last }

// AddMonths returns the date n months after the anchor d, with the day held at
// the end of a shorter month. It counts from the anchor: 31 January and two
// months is 31 March, however February ends. None where d is None or the
// result lies outside the years 1 to 9999.
func (d Date) AddMonths(n int) Date {
	if !d.Known() {
		return None
	}
	y, m, day := d.YMD()
	months := int64(y)*12 + int64(m-1) + int64(n)
	year := floorDiv(months, 12)
	if year < 1 || year > 9999 {
		return None
	}
	month := int(months-year*12) + 1
	return of(year, int64(month), int64(min(day, DaysIn(int(year), month))))
}

// AddDays returns the date n days later, None where that can't be written.
func (d Date) AddDays(n int) Date {
	if !d.Known() || n < int(First)-int(Last) || n > int(Last)-int(First) {
		return None
	}
	r := Date(int64(d) + int64(n))
	if !r.Known() {
		return None
	}
	return r
}

// Sub returns the days from o to d; 0 where either is not known.
func (d Date) Sub(o Date) int {
	if d == None || o == None {
		return 0
	}
	return int(int64(d) - int64(o))
}

// Weekday returns the day of the week; 0 for None.
func (d Date) Weekday() Weekday {
	if d == None {
		return 0
	}
	// 1970-01-01 was a Thursday.
	n := (int64(d) + 3) % 7
	if n < 0 {
		n += 7
	}
	return Weekday(n + 1)
}

// String gives 2031-07-14, and "no date" for one that can't be written.
func (d Date) String() string {
	if !d.Known() {
		return "no date"
	}
	return string(d.Append(nil))
}

// Append appends the date as 2031-07-14.
func (d Date) Append(dst []byte) []byte {
	y, m, day := d.YMD()
	dst = append(dst, byte('0'+y/1000%10), byte('0'+y/100%10), byte('0'+y/10%10), byte('0'+y%10), '-')
	return append(dst, byte('0'+m/10), byte('0'+m%10), '-', byte('0'+day/10), byte('0'+day%10))
}

// Parse reads a date such as 2031-07-14.
func Parse(text string) (Date, error) {
	if len(text) == 10 && text[4] == '-' && text[7] == '-' {
		y, ok1 := number(text[:4])
		m, ok2 := number(text[5:7])
		day, ok3 := number(text[8:])
		if ok1 && ok2 && ok3 {
			if d, ok := Of(y, m, day); ok {
				return d, nil
			}
			return None, fmt.Errorf("date %q: %w: there is no such day", text, ErrFormat)
		}
	}
	if len(text) > 40 {
		text = text[:40] + "..."
	}
	return None, fmt.Errorf("date %q: %w: write year, month and day such as 2031-07-14", text, ErrFormat)
}

func number(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}
