// Package pictures keeps pictures of machines in a folder.
//
// A picture is made anew before it is kept: decoded as JPEG or PNG, scaled to at
// most 2048 pixels on its long side, turned upright as its orientation says, and
// written as JPEG. So nothing is kept of what the camera wrote beside it (place,
// time, serial number), and no file that only looks like a picture. It is known
// by the SHA-256 of the bytes that are kept; the same picture again is the same
// file.
//
// Pictures lie by owner, so that knowing a picture's name tells nobody whether
// another has it.
package pictures
