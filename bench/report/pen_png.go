package report

import (
	"image"
	"image/color"
	"strconv"

	"github.com/fogleman/gg"
	"golang.org/x/image/font"
)

// pngPen draws pixels, scale of them for each px.
type pngPen struct {
	ctx   *gg.Context
	scale float64
	faces map[writing]font.Face
}

func newPNGPen(width, height, scale float64) *pngPen {
	p := &pngPen{ctx: gg.NewContext(int(width*scale), int(height*scale)), scale: scale, faces: map[writing]font.Face{}}
	p.ctx.SetColor(p.colour(paper))
	p.ctx.Clear()
	return p
}

func (p *pngPen) image() image.Image { return p.ctx.Image() }

func (p *pngPen) colour(k ink) color.NRGBA {
	r, g, b := rgb(palette[k].light)
	return color.NRGBA{r, g, b, 255}
}

// rgb reads #rrggbb.
func rgb(hex string) (r, g, b uint8) {
	n, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		panic(err) // the palette is ours
	}
	return uint8(n >> 16), uint8(n >> 8), uint8(n)
}

func (p *pngPen) path(points []point) {
	for i, q := range points {
		if i == 0 {
			p.ctx.MoveTo(q.x*p.scale, q.y*p.scale)
		} else {
			p.ctx.LineTo(q.x*p.scale, q.y*p.scale)
		}
	}
}

func (p *pngPen) line(points []point, s stroke) {
	p.ctx.SetColor(p.colour(s.ink))
	p.ctx.SetLineWidth(s.wide * p.scale)
	p.ctx.SetLineCapButt()
	var on []float64
	for _, x := range dashes[s.dash] {
		on = append(on, x*p.scale)
	}
	p.ctx.SetDash(on...)
	p.path(points)
	p.ctx.Stroke()
}

func (p *pngPen) area(points []point, f fill) {
	c := p.colour(f.ink)
	if !f.opaque {
		c.A = 46 // 18 %
	}
	p.ctx.SetColor(c)
	p.path(points)
	p.ctx.ClosePath()
	p.ctx.Fill()
}

func (p *pngPen) text(at point, s string, w writing) {
	key := writing{bold: w.bold, small: w.small}
	if p.faces[key] == nil {
		p.faces[key] = newFace(w.bold, w.size()*p.scale)
	}
	p.ctx.SetFontFace(p.faces[key])
	p.ctx.SetColor(p.colour(w.ink))
	p.ctx.DrawStringAnchored(plain(s), at.x*p.scale, at.y*p.scale, float64(w.align)/2, 0)
}
