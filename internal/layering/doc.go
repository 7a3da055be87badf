// Package layering holds the module's imports to the directions of its layout:
// downwards only. It has no code of its own, only the test.
package layering
