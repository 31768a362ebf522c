// Package profiles keeps the book: versioned settings profiles, boat by boat.
//
// A book is a plain folder. It has one folder per boat:
//
//	BOOK/
//	  .gitattributes            "* -text": git leaves line ends alone, so hashes hold
//	  .gitignore                each machine's own files, which are no part of the shared book
//	  petrel/
//	    boat.toml               working file: the description of the drive
//	    settings.toml           working file: the settings being worked on
//	    continues.toml          which version the two working files continue
//	    versions/TIME-HASH.toml one saved version each, never changed again
//	    marks/TIME-HASH.toml    one label, approval or "written to a controller" each
//	    kept/HASH               boat files, register maps, trials and records, by content
//
// HASH is the SHA-256 of the file's bytes, so a damaged or edited file gives itself away, and TIME
// makes the names sort by age. A version holds the settings' text, its parents, who saved it and why,
// and the verdicts of the trials; what those rest on lies in kept, so a restored version gives its
// verdict again.
//
// Files under versions, marks and kept are written once (a temporary file in the same folder, fsync,
// linked to its name, fsync of the folder). So a crash loses nothing that was reported saved, and two
// machines' books are joined by copying these files in any direction, with git, rsync or a stick:
// nothing can conflict. There are then two heads, and a version with both as parents joins them.
// Working files belong to one machine; what is to be shared is saved. So git ignores them, and other
// ways of copying best leave out *.toml in the boat's own folder: a copy over them loses what was not
// saved there, and nothing else.
//
// Version numbers (v1, v2, ...) are places in that order. A copied-in version can shift them, so they
// are for the eye only: versions are referred to by their hash, which may be shortened, or by a label.
//
// Each version and mark names the tips it has seen: the entries that no other named when it was written. So an entry that
// is deleted or changed is missed by those after it, and the hash of a tip, noted on a report, stands for all entries
// before it. What this cannot show: that the newest entries were deleted, and that the whole book was rewritten by who
// holds it, unless a tip was noted elsewhere (Verify takes it). Entries of format 1 are from before the chain.
//
// On Windows the names in a folder are not forced to the disk: it has no documented call for that, and leaves it to the
// journal of NTFS. A power cut there may lose the last save, and nothing older.
//
// A Book holds no state of its own and is safe for several goroutines and several processes.
package profiles
