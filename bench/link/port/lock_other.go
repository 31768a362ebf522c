//go:build !unix

package port

// hold does nothing where the system itself gives a port to one program only.
func hold(string) (give func() error, err error) { return func() error { return nil }, nil }
