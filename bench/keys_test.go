package bench_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestFieldsAreNamedAsTheirKeys walks the source, so that the structs of files that stay in their room are seen too: a field
// with a key tag is named as that key in CamelCase, a list of tables as the key's plural. So who knows the file knows the code.
func TestFieldsAreNamedAsTheirKeys(t *testing.T) {
	seen := 0
	err := filepath.WalkDir("..", func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(file) != ".go" || strings.HasSuffix(file, "_test.go") {
			return err
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			return nil // scripts that shall not compile
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			spec, ok := n.(*ast.TypeSpec)
			if !ok {
				return true
			}
			s, ok := spec.Type.(*ast.StructType)
			if !ok {
				return true
			}
			for _, f := range s.Fields.List {
				if f.Tag == nil || len(f.Names) == 0 {
					continue
				}
				tag, err := strconv.Unquote(f.Tag.Value)
				require.NoError(t, err)
				key, ok := reflect.StructTag(tag).Lookup("key")
				if !ok {
					continue
				}
				seen++
				_, list := f.Type.(*ast.ArrayType)
				assert.True(t, namedAs(f.Names[0].Name, key, list), "%s: %s.%s has key %q", file, spec.Name, f.Names[0], key)
			}
			return true
		})
		return nil
	})
	require.NoError(t, err)
	require.Greater(t, seen, 250)
}

// namedAs reports whether a field's name is its key in CamelCase, or for a list the key's plural.
func namedAs(field, key string, list bool) bool {
	singular := strings.ReplaceAll(key, "_", "")
	plural := singular + "s"
	if stem, ok := strings.CutSuffix(singular, "y"); ok {
		plural = stem + "ies"
	}
	return strings.EqualFold(field, singular) || list && strings.EqualFold(field, plural)
}
