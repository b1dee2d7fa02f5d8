package book
import ("testing";"github.com/stretchr/testify/require")
func TestSmall(t *testing.T){ _,err:=Read("k.yaml",[]byte(small(t))); require.NoError(t,err)}
