package settings

// Differing returns the keys in which two sets differ, in the order of the table.
func Differing(a, b Set) (keys []string) {
	for _, p := range parameters() {
		x, _ := a.Get(p.Key)
		y, _ := b.Get(p.Key)
		if x != y {
			keys = append(keys, p.Key)
		}
	}
	return keys
}
