//go:build linux || darwin

package store

import "syscall"

// freeRoom tells how many bytes this account may still write into a folder.
func freeRoom(dir string) (uint64, bool) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil || st.Blocks == 0 {
		return 0, false // some network disks do not tell
	}
	return uint64(st.Bavail) * uint64(st.Bsize), true
}
