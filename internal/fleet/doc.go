// Package fleet reads a table of machines from a text file, as a spreadsheet
// writes it: a row a machine, the first row naming the columns.
//
//	machine;display;customer;site;chart;trait:unloader;hours:engine;last:hour-50
//	stubble-7;Old Seven;tallow-fen;low-barn;ossa-rotary;long;1412,5;1380
//
// It is pure: it knows the file's form and nothing of charts or customers. All
// mistakes of a file are told at once (Errors), each with line and column.
package fleet
