// Package trend tells how a measure moves over the machine's hours, and at
// which hours it comes to its limits.
//
// The line is Theil and Sen's: its slope is the median of the slopes of all
// pairs of values at different hours, so a slip of the rule does not turn it.
// The intercept is the median of y - slope*x over the values, and not median(y) -
// slope*median(x), which some print under the same name. The slope's interval is
// Sen's (1968), from the order statistics of Kendall's tau with ties in x and y
// counted, at 95 %.
//
// A trend is said only where the values carry it:
//
//   - found values only, since the last remedy: a part fitted or a value left
//     that differs from the one found begins a new run;
//   - at least 5 of them, at 3 or more different hours;
//   - enough different pairs that there is a 95 % interval, and all of it lies on
//     one side of 0: five values of which two pairs share their hours are too few;
//   - a limit is told no further ahead of the last value than the values' own span.
//
// Otherwise it says in words why not. Everything is reckoned exactly in whole
// numbers and fractions but the interval's ranks. The package is pure, and it is
// asked for when somebody looks: nothing of it ever changes a machine's state.
package trend
