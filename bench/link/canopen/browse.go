package canopen

import (
	"context"
	"errors"
)

// Found is an object that a node answered for.
type Found struct {
	Object
	Data  []byte
	Exact bool // Data is the object, not longer
	Code  Code // why it could not be read; 0 where it could
}

// Look reads one object; ok is false where the node has none there.
func (c *Client) Look(ctx context.Context, o Object) (f Found, ok bool, err error) {
	f.Object = o
	f.Data, f.Exact, err = c.Upload(ctx, o)
	switch refused := new(Abort); {
	case errors.Is(err, NoObject):
		return f, false, nil
	case errors.Is(err, NoSubIndex):
		f.Code = NoSubIndex
		return f, false, nil
	case errors.As(err, &refused):
		f.Code = refused.Code
		return f, true, nil
	}
	return f, err == nil, err
}

// Browse asks for every index from low to high what is there, and for the sub-indices of what is. It reads only.
func (c *Client) Browse(ctx context.Context, low, high uint16, found func(Found), progress func(index uint16)) error {
	for index := int(low); index <= int(high); index++ {
		progress(uint16(index))
		first, ok, err := c.Look(ctx, Object{uint16(index), 0})
		if err != nil {
			return err
		}
		if ok {
			found(first)
		}
		// A variable has sub-index 0 only; of an array or a record it tells the highest.
		highest := 1
		if ok && first.Code == 0 && len(first.Data) > 0 && (first.Exact && len(first.Data) == 1 || !first.Exact) {
			highest = int(first.Data[0])
		}
		switch {
		case !ok && first.Code == NoSubIndex:
			highest = 254 // a list without its length, against the standard
		case !ok:
			continue
		}
		missing := 0
		for sub := 1; sub <= min(highest, 254) && missing < 3; sub++ {
			f, ok, err := c.Look(ctx, Object{uint16(index), byte(sub)})
			if err != nil {
				return err
			}
			if ok {
				missing = 0
				found(f)
			} else {
				missing++
			}
		}
	}
	return nil
}
