package tracer

import "io/fs"

// Call is one system call that changes something.
type Call struct {
	N       int    // its number over the whole tree, from 1
	PID     int    // the thread that makes it
	Program string // what the process calls itself (proc_pid_comm(5))
	Name    string // of the system call
	Kind    Kind
	Path    string // absolute; of the file that is changed
	To      string // the new name of a rename or a link; the target of a symbolic link is in From
	From    string // what a symbolic link says
	Size    int64  // bytes to write, or the new length

	// Known after the call, and only with Options.Log.
	Inode  uint64      // of an open file
	Perm   fs.FileMode // of a file or folder that was made, or whose mode was set
	At     int64       // where a write begins
	Data   []byte      // what was written
	Trunc  bool        // an open that emptied the file
	Result int64       // what the call returned
}

// Kind is what a call does.
type Kind string

// The kinds.
const (
	Open     Kind = "open" // to write, or making or emptying a file
	Write    Kind = "write"
	Truncate Kind = "truncate"
	Rename   Kind = "rename"
	Unlink   Kind = "unlink" // of a file or a folder
	Mkdir    Kind = "mkdir"
	Link     Kind = "link"
	Symlink  Kind = "symlink"
	Mode     Kind = "mode" // permissions, owners, times, attributes
	Sync     Kind = "sync"
)
