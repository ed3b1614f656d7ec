package plot

import (
	"image/color"
	"math"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The look of every drawing: a paper test record, ink on ivory, readable as
// well in a dark page, in print and in grey, where shape and dash tell what
// colour tells too. Each text keeps a contrast of 4.5 to the paper (WCAG AA).
var (
	paper  = color.NRGBA{0xfd, 0xfc, 0xf8, 0xff}
	ink    = color.NRGBA{0x1f, 0x22, 0x26, 0xff}
	faint  = color.NRGBA{0x5b, 0x60, 0x66, 0xff}
	ruling = color.NRGBA{0xe4, 0xe0, 0xd3, 0xff}
	// What is outside the limits is a cool grey: the pages tint what is inside them,
	// warm and paler. What is not known is not tinted but hatched.
	outside = color.NRGBA{0xd3, 0xd7, 0xdd, 0xff}
	unknown = color.NRGBA{0xb4, 0xb1, 0xa8, 0xff}
	pen     = color.NRGBA{0x0b, 0x5a, 0x8a, 0xff} // what was measured
	// Vermilion and bluish green, which the colour-blind tell apart (Okabe and
	// Ito's palette, from memory), through a pale grey.
	wrongColour = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
	halfColour  = color.NRGBA{0xee, 0xec, 0xe6, 0xff}
	rightColour = color.NRGBA{0x00, 0x9e, 0x73, 0xff}
)

// Sizes, in CSS pixels of an SVG: letters of 11 are read at arm's length, and
// stay above 8 points where a drawing of Desktop fills a page of A4.
const (
	titleLetter = 14 * vg.Length(1)
	panelLetter = 12 * vg.Length(1)
	plotLetter  = 11 * vg.Length(1)
	lineHeight  = 1.35 // of a line of text, in letters
	edge        = 12   // of the paper that stays free
	panelHeight = 200
)

// Widths of a drawing, in CSS pixels: what a phone of 360 has beside a page's
// edges, and a column of text.
const (
	Phone   = 328
	Desktop = 640
)

func sans(size vg.Length, bold bool) font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return f
}

func limitStyle() draw.LineStyle {
	return draw.LineStyle{Color: ink, Width: 1.4, Dashes: []vg.Length{6, 3}}
}

func guideStyle() draw.LineStyle {
	return draw.LineStyle{Color: faint, Width: 0.9, Dashes: []vg.Length{2, 3}}
}

func penStyle() draw.LineStyle { return draw.LineStyle{Color: pen, Width: 1.5} }

func trendStyle() draw.LineStyle { return draw.LineStyle{Color: wrongColour, Width: 1.8} }

func whiskerStyle() draw.LineStyle { return draw.LineStyle{Color: ink, Width: 1} }

// mixed gives a colour that is made paler by so much of another.
func mixed(a, b color.NRGBA, t float64) color.NRGBA {
	m := func(x, y uint8) uint8 { return uint8(math.Round(float64(x) + t*(float64(y)-float64(x)))) }
	return color.NRGBA{m(a.R, b.R), m(a.G, b.G), m(a.B, b.B), 0xff}
}
