package boat

// CloseShare returns the share of its limit above which a part is close.
func (b *Boat) CloseShare(part string) float64 {
	for _, c := range b.CloseFor {
		if c.Part == part {
			return c.Share.SI
		}
	}
	return b.Close.SI
}
