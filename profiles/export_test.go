package profiles

import "context"

// heads returns the versions of a boat that none continues: one as a rule, more after others' versions
// were copied in.
func (b *Book) heads(ctx context.Context, boat string) (heads []Hash, err error) {
	err = b.read(ctx, boat, nil, func(s *view) error {
		heads = headsOf(s.all)
		return nil
	})
	return heads, err
}

// resolve returns the whole hash of the version that ref names: a hash, shortened to no less than four
// digits, a label, or "head" where there is only one.
func (b *Book) resolve(ctx context.Context, boat, ref string) (h Hash, err error) {
	err = b.read(ctx, boat, nil, func(s *view) (err error) {
		h, err = s.resolve(ref)
		return err
	})
	return h, err
}
