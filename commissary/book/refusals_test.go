package book

import "strings"

// roads is the small book with a section on the roads.
func roads(keys ...string) change {
	return change{"vehicles:\n", "roads:\n  " + strings.Join(keys, "\n  ") + "\nvehicles:\n"}
}

// refusals are edits of testdata/small.yaml, each with all the faults it must give.
var refusals = map[string]refusal{
	"unknown key": {[]change{{"dispatch: 05:00}", "dispatch: 05:00, cushon: 5 %}"}}, []string{
		`k.yaml:2: kitchen has no key "cushon"; did you mean "cushion"?`,
	}},
	"unknown section": {[]change{{"vehicles:", "vehicels:"}}, []string{
		`k.yaml:1: the kitchen book lacks the section "vehicles" with at least one vehicle`,
		`k.yaml:87: the kitchen book has no key "vehicels"; did you mean "vehicles"?`,
	}},
	"key twice": {[]change{{"    name: North\n", "    name: North\n    name: Nord\n"}}, []string{
		`k.yaml:81: "name" stands twice in shop "north", first on line 80; keep one`,
	}},
	"name twice": {[]change{{"vehicles:\n", "  north: {name: Other}\nvehicles:\n"}}, []string{
		`k.yaml:87: "north" stands twice in the section "shops", first on line 79; keep one`,
	}},
	"bad name": {[]change{{"  van: {name: Van}", "  Big Van: {name: Van}"}}, []string{
		`k.yaml:88: the section "vehicles": "Big Van" is not a short name; use up to 40 lower-case letters, digits and single dashes, for example "big-mixer"`,
	}},
	"missing value": {[]change{{"    target: 24 °C\n", ""}}, []string{
		`k.yaml:16: formula "dough" lacks "target"; write for example "target: 24 °C"`,
	}},
	"missing window value": {[]change{{"best: 48 h, band: 12 h, ", "best: 48 h, "}}, []string{
		`k.yaml:58: item "ball", window lacks "band"; write for example "band: 12 h"`,
	}},
	"empty value": {[]change{{"    name: North\n", "    name:\n"}}, []string{
		`k.yaml:80: shop "north": "name" is empty; write a value or remove the key`,
	}},
	"list for a value": {[]change{{"    name: North\n", "    name: [a]\n"}}, []string{
		`k.yaml:80: shop "north": "name" needs one value, not a list or a group`,
	}},
	"value for a group": {[]change{{"    receiving: {from: 06:00, to: 10:00}", "    receiving: early"}}, []string{
		`k.yaml:82: shop "north", receiving needs keys with values below it, not one value or a list`,
	}},
	"two-line text": {[]change{{"    name: North\n", "    name: \"a\\nb\"\n"}}, []string{
		`k.yaml:80: shop "north": "name" holds line breaks or characters that do not print; write it on one line`,
	}},
	"unknown zone name": {[]change{{"zone: Europe/Rome", "zone: Europe/Room"}}, []string{
		`k.yaml:1: kitchen: "zone": the time zone "Europe/Room" is unknown; write an IANA name, for example "America/New_York"`,
	}},
	"unknown units": {[]change{{"units: metric", "units: metrical"}}, []string{
		`k.yaml:1: kitchen: "units": "metrical" is unknown; write one of metric, us`,
	}},
	"not yes or no": {[]change{{"cold: yes", "cold: maybe"}}, []string{
		`k.yaml:75: zone "cold": "cold": "maybe" is neither yes nor no; write yes or no`,
	}},
	"mass without unit": {[]change{{"mass: 280 g", "mass: 280"}}, []string{
		`k.yaml:57: item "ball": "mass": "280" is not a mass: the unit is missing; write for example "250 g", "12.5 kg" or "2 lb 3 oz"`,
	}},
	"mass in degrees": {[]change{{"mass: 280 g", "mass: 280 °C"}}, []string{
		`k.yaml:57: item "ball": "mass": "280 °C" is not a mass: the unit "°C" is unknown; write for example "250 g", "12.5 kg" or "2 lb 3 oz"`,
	}},
	"mass zero": {[]change{{"mass: 280 g", "mass: 0 g"}}, []string{
		`k.yaml:57: item "ball": "mass": "0 g" is too small; it must be above zero`,
	}},
	"mass huge": {[]change{{"mass: 280 g", "mass: 99999999 kg"}}, []string{
		`k.yaml:57: item "ball": "mass": "99999999 kg" is not a mass: it is too large; write for example "250 g", "12.5 kg" or "2 lb 3 oz"`,
	}},
	"negative mass": {[]change{{"mass: 280 g", "mass: -280 g"}}, []string{
		`k.yaml:57: item "ball": "mass": "-280 g" is below zero; it must be above`,
	}},
	"time in kilograms": {[]change{{"first: 4 min", "first: 4 kg"}}, []string{
		`k.yaml:28: formula "dough", mix: "first": "4 kg" is not a length of time: the unit "kg" is unknown; write for example "90 min", "48 h" or "1 h 30 min"`,
	}},
	"temperature without unit": {[]change{{"target: 24 °C", "target: 24"}}, []string{
		`k.yaml:27: formula "dough": "target": "24" is not a temperature: the unit is missing; write for example "24 °C" or "75 °F"`,
	}},
	"temperature far off": {[]change{{"target: 24 °C", "target: 240 °C"}}, []string{
		`k.yaml:27: formula "dough": "target": "240 °C" is not between -30 °C and 60 °C`,
	}},
	"share too large": {[]change{{"water: 62 %", "water: 20000 %"}}, []string{
		`k.yaml:22: formula "dough", lines: "water": "20000 %" is not a percentage: it is not between 0 and 10000 %; write for example "62" or "0.35 %"`,
	}},
	"share in grams": {[]change{{"water: 62 %", "water: 620 g"}}, []string{
		`k.yaml:22: formula "dough", lines: "water": "620 g" is not a percentage: "620 g" is not a number; write for example "62" or "0.35 %"`,
	}},
	"days unknown": {[]change{{"days: Tue-Sun", "days: Tuesday"}}, []string{
		`k.yaml:84: shop "north", service 1: "days": "Tuesday" is not a day; write Mon, Tue, Wed, Thu, Fri, Sat or Sun, a range such as Mon-Fri, or "every day"`,
	}},
	"clock": {[]change{{"departs: 06:30", "departs: 6.30"}}, []string{
		`k.yaml:94: run "morning": "departs": "6.30" is not a time of day; write hours and minutes, for example "04:30"`,
	}},
	"count": {[]change{{"per_box: 8", "per_box: 8.5"}}, []string{
		`k.yaml:57: item "ball": "per_box": "8.5" is not a whole number from 1 to 10000`,
	}},
	"unknown allergen": {[]change{{"[wheat]", "[weat]"}}, []string{
		`k.yaml:10: ingredient "flour": there is no allergen "weat"; name the nut or cereal itself, such as "hazelnut" or "wheat"; did you mean "wheat"?`,
	}},
	"allergen twice": {[]change{{"[wheat]", "[wheat, wheat]"}}, []string{
		`k.yaml:10: ingredient "flour": allergen "wheat" stands twice; keep one`,
	}},
	"substitute unknown": {[]change{{"substitutes: [water]", "substitutes: [tomatoe]"}}, []string{
		`k.yaml:14: ingredient "tomato": there is no ingredient "tomatoe"; there are flour, water, yeast, salt, tomato; did you mean "tomato"?`,
	}},
	"substitute itself": {[]change{{"substitutes: [water]", "substitutes: [tomato]"}}, []string{
		`k.yaml:14: ingredient "tomato" is named as its own substitute; remove it`,
	}},
	"strong water": {[]change{{"kind: water}", "kind: water, strong: yes}"}}, []string{
		`k.yaml:11: ingredient "water" is no flour, and only flour is strong; remove "strong"`,
	}},
	"gtin": {[]change{{"name: Salt, ", "name: Salt, gtin: 4006381333932, "}}, []string{
		`k.yaml:13: ingredient "salt": "gtin": "4006381333932" is not a GTIN: 8, 12, 13 or 14 digits with a right check digit`,
	}},
	"money": {[]change{{"name: Salt, ", "name: Salt, price_per_kg: 1.234, "}}, []string{
		`k.yaml:13: ingredient "salt": "price_per_kg": "1.234" is not an amount of money; write for example "4.50"`,
	}},
	"scale for ingredient unknown": {[]change{{"name: Salt, ", "name: Salt, scale: fein, "}}, []string{
		`k.yaml:13: ingredient "salt": there is no scale "fein"; there are floor, bench, fine; did you mean "fine"?`,
	}},
	"scale holds less than a division": {[]change{{"division: 20 g, holds: 150 kg", "division: 20 g, holds: 10 g"}}, []string{
		`k.yaml:4: scale "floor": it holds 10 g, less than its division of 20 g`,
	}},
	"scale named too coarse": {[]change{{"name: Dry yeast, ", "name: Dry yeast, scale: bench, "}}, []string{
		`k.yaml:16: formula "dough": a batch of 20.35 kg takes 21 g of yeast, and scale "bench" shows steps of 5 g, which can move it by more than 1 %; a finer scale is needed`,
		`k.yaml:34: formula "poolish": a batch of 24 kg takes 12 g of yeast, and scale "bench" shows steps of 5 g, which can move it by more than 1 %; a finer scale is needed`,
	}},
	"scale named too small": {[]change{{"name: Water, ", "name: Water, scale: fine, "}}, []string{
		`k.yaml:16: formula "dough": a batch of 20.35 kg takes 3.95 kg of water, and scale "fine", which it must be weighed on, holds 2 kg`,
		`k.yaml:34: formula "poolish": a batch of 24 kg takes 11.99 kg of water, and scale "fine", which it must be weighed on, holds 2 kg`,
	}},
	"no scale fine enough": {[]change{{"  fine: {division: 0.01 g, holds: 2 kg}", "  fine: {division: 2 g, holds: 2 kg}"}}, []string{
		`k.yaml:16: formula "dough": a batch of 20.35 kg takes 21 g of yeast, and scale "fine" shows steps of 2 g, which can move it by more than 1 %; a finer scale is needed`,
		`k.yaml:34: formula "poolish": a batch of 24 kg takes 12 g of yeast, and scale "fine" shows steps of 2 g, which can move it by more than 1 %; a finer scale is needed`,
	}},
	"no scale that holds it": {[]change{{"holds: 150 kg", "holds: 20 kg"}}, []string{
		`k.yaml:16: formula "dough": a batch of 81.38 kg takes 34.57 kg of flour, and no scale holds that much`,
		`k.yaml:43: formula "sauce": a batch of 30 kg takes 29.55 kg of tomato, and no scale holds that much`,
	}},
	"crossed smaller than nested": {[]change{{"slots: 1, crossed: 2", "slots: 3, crossed: 2"}}, []string{
		`k.yaml:8: container "box": cross-stacked it takes 2 places, fewer than the 3 it takes nested`,
	}},
	"lids of nothing owned": {[]change{{"owned: 100, slots: 1", "lids: 3, slots: 1"}}, []string{
		`k.yaml:8: container "box": "lids" says nothing without "owned"; write how many there are, or take it out`,
	}},
	"dollies of no size": {[]change{{"owned: 100, slots: 1", "owned: 40, dollies: 3, slots: 1"}}, []string{
		`k.yaml:8: container "box": write how many dollies there are and how many of it stand on one, for example dollies: 40, per_dolly: 20; or neither`,
	}},
	"kept back, but never fed": {[]change{{"rise: 250 %", "rise: 250 %\n    keep_back: 2 kg\n    feed_within: 30 h"}}, []string{
		`k.yaml:43: formula "poolish": it is kept back, but not fed from itself; name it under its own "preferments" with days_before: 1`,
	}},
	"kept back for no time": {[]change{{"rise: 250 %", "rise: 250 %\n    keep_back: 2 kg"}}, []string{
		`k.yaml:34: formula "poolish": write how much is kept back and within what time it is fed again, for example keep_back: 2 kg, feed_within: 30 h; or neither`,
	}},
	"flour not 100": {[]change{{"      flour: 100 %", "      flour: 90 %"}}, []string{
		`k.yaml:20: formula "dough": its flour adds up to 90 %; every share is of the total flour, so flour adds up to 100 %`,
	}},
	"prep not 100": {[]change{{"tomato: 98.5 %", "tomato: 98 %"}}, []string{
		`k.yaml:47: formula "sauce": the lines add up to 99.5 %; the lines of a prep add up to 100 %`,
	}},
	"preferment flour not 100": {[]change{{"lines: {flour: 100 %, water: 100 %", "lines: {flour: 99 %, water: 100 %"}}, []string{
		`k.yaml:38: formula "poolish": its flour adds up to 99 %; every share is of the total flour, so flour adds up to 100 %`,
	}},
	"preferment takes too much water": {[]change{{"water: 100 %, yeast: 0.1 %", "water: 250 %, yeast: 0.1 %"}}, []string{
		`k.yaml:22: formula "dough": its preferments take 75 % of water, but the whole dough has 62 %; give the dough more or preferment less`,
	}},
	"preferment takes too much yeast": {[]change{{"yeast: 0.1 %", "yeast: 0.7 %"}}, []string{
		`k.yaml:23: formula "dough": its preferments take 0.21 % of yeast, but the whole dough has 0.2 %; give the dough more or preferment less`,
	}},
	"preferment takes what the dough lacks": {[]change{{"water: 100 %, yeast: 0.1 %", "water: 100 %, yeast: 0.1 %, tomato: 1 %"}}, []string{
		`k.yaml:25: formula "dough": its preferments take 0.3 % of tomato, but the whole dough has 0 %; give the dough more or preferment less`,
	}},
	"preferments hold more than the flour": {[]change{{"poolish: {flour: 30 %, days_before: 1}", "poolish: {flour: 130 %, days_before: 1}"}}, []string{
		`k.yaml:26: formula "dough", preferment "poolish": "flour": "130 %" is too much; at most 100 %`,
	}},
	"line unknown": {[]change{{"      salt: 2.6 %", "      sallt: 2.6 %"}}, []string{
		`k.yaml:24: formula "dough", lines: there is no ingredient or prep "sallt"; did you mean "salt"?`,
	}},
	"line is a preferment": {[]change{{"      salt: 2.6 %", "      salt: 2.6 %\n      poolish: 5 %"}}, []string{
		`k.yaml:25: formula "dough", lines: "poolish" is a preferment; name it under "preferments" with its share of the flour`,
	}},
	"line is a dough": {[]change{{"lines: {tomato: 98.5 %, salt: 1.5 %}", "lines: {tomato: 98.5 %, dough: 1.5 %}"}}, []string{
		`k.yaml:47: formula "sauce", lines: "dough" is a dough and cannot go into another formula`,
	}},
	"preferment unknown": {[]change{{"poolish: {flour: 30 %", "polish: {flour: 30 %"}}, []string{
		`k.yaml:26: formula "dough", preferments: there is no formula "polish"; there are dough, poolish, sauce; did you mean "poolish"?`,
	}},
	"preferment is a prep": {[]change{{"poolish: {flour: 30 %, days_before: 1}", "sauce: {flour: 30 %, days_before: 1}"}}, []string{
		`k.yaml:26: formula "dough", preferments: "sauce" is a prep, not a preferment`,
	}},
	"formula named like an ingredient": {[]change{{"  sauce:\n    name: Sauce", "  salt:\n    name: Sauce"}}, []string{
		`k.yaml:43: formula "salt" has the name of the ingredient on line 13; give it another, since lines name both`,
		`k.yaml:61: item "pail": there is no formula "sauce"; there are dough, poolish, salt; did you mean "salt"?`,
	}},
	"preferment cycle": {[]change{{"    target: 22 °C\n", "    target: 22 °C\n    preferments: {poolish: {flour: 10 %}}\n"}}, []string{
		`k.yaml:34: formula "poolish" needs itself on the same day (poolish needs poolish); take one of them out, or set days_before to 1 for a preferment kept from the day before`,
	}},
	"prep cycle": {[]change{{"lines: {tomato: 98.5 %, salt: 1.5 %}", "lines: {tomato: 90 %, sauce: 10 %}"}}, []string{
		`k.yaml:43: formula "sauce" needs itself on the same day (sauce needs sauce); take one of them out, or set days_before to 1 for a preferment kept from the day before`,
	}},
	"order unknown": {[]change{{"    target: 24 °C\n", "    target: 24 °C\n    order: [water, poolish, tomato]\n"}}, []string{
		`k.yaml:28: formula "dough": "order" names "tomato", which is not among its lines or preferments`,
	}},
	"yield for a dough": {[]change{{"    target: 24 °C\n", "    target: 24 °C\n    yield: 90 %\n"}}, []string{
		`k.yaml:28: formula "dough": "yield" is for preps only; a dough has a loss; remove it`,
	}},
	"rise below one": {[]change{{"rise: 250 %", "rise: 90 %"}}, []string{
		`k.yaml:42: formula "poolish": it rises to 90 % of its volume; write at least 100 %`,
	}},
	"no lines": {[]change{{"    lines: {tomato: 98.5 %, salt: 1.5 %}", "    lines: {}"}}, []string{
		`k.yaml:47: formula "sauce", lines: there is not a single line`,
	}},
	"best below least": {[]change{{"best: 48 h", "best: 20 h"}}, []string{
		`k.yaml:58: item "ball", window: best age 20 h is below the least age 24 h; min, best and max go upwards`,
	}},
	"best above greatest": {[]change{{"best: 48 h", "best: 80 h"}}, []string{
		`k.yaml:58: item "ball", window: best age 80 h is above the greatest age 72 h; min, best and max go upwards`,
	}},
	"window of one age": {[]change{{"min: 24 h, best: 48 h, band: 12 h, max: 72 h", "min: 24 h, best: 24 h, band: 0 h, max: 24 h"}}, []string{
		`k.yaml:58: item "ball", window: least and greatest age are both 24 h, which no batch can meet`,
	}},
	"band leaves window": {[]change{{"best: 48 h, band: 12 h", "best: 48 h, band: 30 h"}}, []string{
		`k.yaml:58: item "ball", window: the good band, 48 h ± 30 h, leaves the window from 24 h to 72 h; a band of 24 h fits`,
	}},
	"window shorter than the service": {[]change{{"min: 24 h, best: 48 h, band: 12 h, max: 72 h", "min: 24 h, best: 30 h, band: 2 h, max: 36 h"}}, []string{
		`k.yaml:58: item "ball": the window from 24 h to 36 h is 12 h long, but shop "north" serves for 14 h; no batch is ready at its first pull and still good at its last stretch`,
	}},
	"ripe out of order": {[]change{{"best: 14 h", "best: 9 h"}}, []string{
		`k.yaml:41: formula "poolish", ripe: best age 9 h is below the least age 10 h; min, best and max go upwards`,
	}},
	"ball heavier than a batch": {[]change{{"mass: 280 g", "mass: 90 kg"}}, []string{
		`k.yaml:56: item "ball" weighs 90 kg, more than the 81.38 kg that the largest batch of "dough" gives`,
		`k.yaml:57: item "ball": bench "table" has no rate for class "medium" at 90 kg; add a row to its rates`,
	}},
	"class nobody mixes": {[]change{{"    class: medium\n", "    class: stiff\n"}}, []string{
		`k.yaml:16: formula "dough": no vessel can mix class "stiff"; add a row for it to a vessel's capacity; there are medium, poolish, sauce`,
		`k.yaml:57: item "ball": bench "table" has no rate for class "stiff" at 280 g; add a row to its rates`,
	}},
	"second speed forbidden": {[]change{{"second: yes, ", ""}}, []string{
		`k.yaml:16: formula "dough" mixes at second speed, which every vessel forbids for class "medium"; leave out "second", or write "second: yes" in the row where the maker allows it`,
	}},
	"mixing too long": {[]change{{"first: 4 min, second: 6 min", "first: 8 min, second: 6 min"}}, []string{
		`k.yaml:16: formula "dough" mixes for 14 min, longer than the 12 min that vessel "mixer" allows for class "medium"`,
	}},
	"bench unknown": {[]change{{"bench: table, heads: 2", "bench: tabel, heads: 2"}}, []string{
		`k.yaml:30: formula "dough", step 1: there is no bench "tabel"; there is only table; did you mean "table"?`,
	}},
	"bench without a rate": {[]change{{"up_to: 500 g", "up_to: 200 g"}}, []string{
		`k.yaml:57: item "ball": bench "table" has no rate for class "medium" at 280 g; add a row to its rates`,
	}},
	"step unknown": {[]change{{"{step: hold}", "{step: wait}"}}, []string{
		`k.yaml:33: formula "dough", step 4: "step": "wait" is unknown; write one of rest, divide, cool, pack, chill, nest, hold`,
	}},
	"step mix": {[]change{{"{step: hold}", "{step: mix}"}}, []string{
		`k.yaml:33: formula "dough", step 4: "step": "mix" is unknown; write one of rest, divide, cool, pack, chill, nest, hold`,
	}},
	"step after hold": {[]change{{"      - {step: hold}\n", "      - {step: hold}\n      - {step: rest, min: 5 min}\n"}}, []string{
		`k.yaml:34: formula "dough", step 5: rest comes after hold; hold is the last step, until the van leaves`,
	}},
	"nest without chill": {[]change{{"      - {step: chill, min: 2 h}\n", ""}}, []string{
		`k.yaml:31: formula "dough", step 2: nothing is cross-stacked yet; put a chill step before nest`,
	}},
	"chill without time": {[]change{{"{step: chill, min: 2 h}", "{step: chill}"}}, []string{
		`k.yaml:31: formula "dough", step 2 lacks "min"; write for example "min: 10 min"`,
	}},
	"step max below min": {[]change{{"min: 2 h}", "min: 2 h, max: 1 h}"}}, []string{
		`k.yaml:31: formula "dough", step 2: at most 1 h is less than at least 2 h`,
	}},
	"no divide": {[]change{{"      - {step: divide, bench: table, heads: 2}\n", ""}}, []string{
		`k.yaml:56: item "ball": formula "dough" has no divide step; add one with its bench`,
	}},
	"pack in a dough": {[]change{{"{step: hold}", "{step: pack, bench: table, heads: 1}"}}, []string{
		`k.yaml:29: formula "dough" is a dough and has no pack step; remove it`,
	}},
	"container unknown": {[]change{{"mass: 280 g, container: box", "mass: 280 g, container: tray"}}, []string{
		`k.yaml:57: item "ball": there is no container "tray"; there is only box`,
	}},
	"zone unknown": {[]change{{"per_box: 8, zone: cold", "per_box: 8, zone: warm"}}, []string{
		`k.yaml:57: item "ball": there is no zone "warm"; there is only cold`,
	}},
	"cut-off unknown": {[]change{{"cut_off: early", "cut_off: erly"}}, []string{
		`k.yaml:61: item "pail": there is no cut-off "erly"; there are dough, early; did you mean "early"?`,
	}},
	"ball of a prep": {[]change{{"kind: ball, formula: dough", "kind: ball, formula: sauce"}}, []string{
		`k.yaml:57: item "ball": a ball is made from a dough, but "sauce" is a prep`,
	}},
	"formula unknown": {[]change{{"formula: sauce", "formula: source"}}, []string{
		`k.yaml:61: item "pail": there is no formula "source"; there are dough, poolish, sauce; did you mean "sauce"?`,
	}},
	"delivered before the night ends": {[]change{{"bake_after: 2, deliver_before: 1", "bake_after: 2, deliver_before: 2"}}, []string{
		`k.yaml:59: item "ball", ship: delivered 2 days before a bake day that is 2 days after the night would be on the night itself or earlier; at most 1`,
	}},
	"class twice": {[]change{{"{class: sauce, max: 30 kg, basis: dough}", "{class: sauce, max: 30 kg, basis: dough}, {class: sauce, max: 20 kg, basis: dough}"}}, []string{
		`k.yaml:72: vessel "tub", row 3: class "sauce" stands twice for the same speeds, first on line 72; keep one row`,
	}},
	"basis missing": {[]change{{"max: 24 kg, basis: dough", "max: 24 kg"}}, []string{
		`k.yaml:72: vessel "tub", row 1 lacks "basis"; write for example "basis: dough"`,
	}},
	"below for strong flour": {[]change{{"cause: cold_water", "cause: strong_flour"}}, []string{
		`k.yaml:68: vessel "mixer", derating 1: "below" is for cold_water only; remove it`,
	}},
	"volume": {[]change{{"volume: 20 gal", "volume: 20 kg"}}, []string{
		`k.yaml:71: vessel "tub": "volume": "20 kg" is not a volume; write for example "60 L" or "15 gal"`,
	}},
	"wash shorter than scrape": {[]change{{"scrape: 3 min, wash: 20 min", "scrape: 3 min, wash: 2 min"}}, []string{
		`k.yaml:66: vessel "mixer": a full wash of 2 min is shorter than a scrape of 3 min`,
	}},
	"shift too long": {[]change{{"from: 04:00, to: 13:00", "from: 04:00, to: 23:00"}}, []string{
		`k.yaml:77: shift "day": from 04:00 to 23:00 is longer than 16 hours; split it into two shifts`,
	}},
	"break outside": {[]change{{"{from: 08:00, to: 08:30}", "{from: 14:00, to: 14:30}"}}, []string{
		`k.yaml:77: shift "day", break 1: 14:00 to 14:30 lies outside the shift, 04:00 to 13:00`,
	}},
	"breaks overlap": {[]change{{"{from: 08:00, to: 08:30}", "{from: 08:00, to: 08:30}, {from: 08:15, to: 08:45}"}}, []string{
		`k.yaml:77: shift "day", break 2: 08:15 to 08:45 overlaps the break from 08:00 to 08:30`,
	}},
	"service twice a day": {[]change{{"    standing:\n", "      - {days: Mon-Tue, from: 11:00, to: 15:00}\n    standing:\n"}}, []string{
		`k.yaml:85: shop "north", service 2: Tue has service hours already; one service a day`,
	}},
	"standing on a closed day": {[]change{{"Tue-Thu: 40", "Mon-Thu: 40"}}, []string{
		`k.yaml:86: shop "north", standing "ball": the shop is closed on Mon; leave that day out`,
	}},
	"standing twice": {[]change{{"Tue-Thu: 40", "Tue-Fri: 40"}}, []string{
		`k.yaml:86: shop "north", standing "ball": Fri stands twice; one quantity a day`,
	}},
	"standing item unknown": {[]change{{"      ball: {Tue", "      bal: {Tue"}}, []string{
		`k.yaml:86: shop "north", standing: there is no item "bal"; there are ball, pail; did you mean "ball"?`,
	}},
	"latitude alone": {[]change{{"    name: North\n", "    name: North\n    latitude: 45.5\n"}}, []string{
		`k.yaml:81: shop "north": latitude and longitude belong together; write both or neither`,
	}},
	"longitude far off": {[]change{{"    name: North\n", "    name: North\n    latitude: 45.5\n    longitude: 200\n"}}, []string{
		`k.yaml:82: shop "north": "longitude": "200" is not between -180 and 180 degrees`,
	}},
	"road shorter than the great circle": {[]change{roads("factor: 90 %", "speeds: [{speed: 35 km/h}]")}, []string{
		`k.yaml:88: the section "roads": a road is never shorter than the great circle; a factor is 100 % or more, 130 % is common`,
	}},
	"road without speeds": {[]change{roads("factor: 130 %")}, []string{
		`k.yaml:87: the section "roads" lacks "speeds"; write for example "speeds: [{up_to: 5 km, speed: 25 km/h}, {speed: 50 km/h}]"`,
	}},
	"speeds out of order": {[]change{roads("factor: 130 %", "speeds:", "  - {up_to: 9 km, speed: 35 km/h}", "  - {up_to: 5 km, speed: 25 km/h}", "  - {speed: 60 km/h}")}, []string{
		`k.yaml:91: the section "roads", speed 2: write the bands by distance, the shortest first, and only the last without "up_to"`,
	}},
	"speeds with an end": {[]change{roads("factor: 130 %", "speeds: [{up_to: 9 km, speed: 35 km/h}]")}, []string{
		`k.yaml:89: the section "roads": leave "up_to" out of the last band of "speeds", so that it holds for all longer ways`,
	}},
	"speed of an aircraft": {[]change{roads("factor: 130 %", "speeds: [{speed: 900 km/h}]")}, []string{
		`k.yaml:89: the section "roads", speed 1: "speed": "900 km/h" is not a speed between 1 and 130 km/h; write for example "35 km/h" or "25 mph"`,
	}},
	"way to an unknown shop": {[]change{roads("ways:", "  kitchen:", "    nord: 12 min, 5.2 km")}, []string{
		`k.yaml:90: the section "roads", ways from "kitchen": there is no shop "nord"; there is only north; did you mean "north"?`,
	}},
	"way to where it begins": {[]change{roads("ways:", "  north:", "    north: 12 min, 5.2 km")}, []string{
		`k.yaml:90: the section "roads", ways from "north": a way leads from one place to another`,
	}},
	"way without a length": {[]change{roads("ways:", "  kitchen:", "    north: 12 min")}, []string{
		`k.yaml:90: the section "roads", ways from "kitchen": "north": "12 min" is not a way; write its time and its length, for example "12 min, 5.2 km"`,
	}},
	"unknown key of the roads": {[]change{roads("speed: 35 km/h")}, []string{
		`k.yaml:88: the section "roads" has no key "speed"; did you mean "speeds"?`,
	}},
	"minutes of a free order": {[]change{{"    stops:\n", "    sequence: free\n    stops:\n"}}, []string{
		`k.yaml:97: run "morning", stop 1: "travel" is for stops in a fixed order; the section "roads" says how far it is; remove it`,
	}},
	"free order to a shop without a place": {[]change{{"    stops:\n", "    sequence: free\n    stops:\n"}, {"travel: 12 min, ", ""}}, []string{
		`k.yaml:97: run "morning": nobody knows the way to shop "north"; give the kitchen and the shop a latitude and a longitude and "roads" its factor and speeds, list its ways under "roads", or fix the order of this run`,
	}},
	"free assignment in a fixed order": {[]change{{"    stops:\n", "    assign: free\n    stops:\n"}}, []string{
		`k.yaml:95: run "morning": stops that may ride on another run have no order of their own; write "sequence: free" too`,
	}},
	"shop on no run": {[]change{{"vehicles:\n", "  south:\n    name: South\n    walk_in: 4 °C\n    receiving: {from: 06:00, to: 10:00}\n    service: [{days: Fri, from: 11:00, to: 22:00}]\nvehicles:\n"}}, []string{
		`k.yaml:87: shop "south" is on no run; add it to the stops of one`,
	}},
	"run to an unknown shop": {[]change{{"stay: 15 min}", "stay: 15 min}\n      - {shop: nord, travel: 5 min, stay: 5 min}"}}, []string{
		`k.yaml:97: run "morning", stop 2: there is no shop "nord"; there is only north; did you mean "north"?`,
	}},
	"run in an unknown vehicle": {[]change{{"vehicle: van", "vehicle: wan"}}, []string{
		`k.yaml:92: run "morning": there is no vehicle "wan"; there is only van; did you mean "van"?`,
	}},
	"shop twice on a run": {[]change{{"stay: 15 min}", "stay: 15 min}\n      - {shop: north, travel: 5 min, stay: 5 min}"}}, []string{
		`k.yaml:97: run "morning", stop 2: shop "north" is on this run already, on line 96; one stop for each shop`,
	}},
	"run before picking": {[]change{{"departs: 06:30", "departs: 04:30"}}, []string{
		`k.yaml:94: run "morning": it departs at 04:30, but picking begins at 05:00; let it depart later, or set the kitchen's "dispatch" earlier`,
	}},
	"shop reached too late": {[]change{{"travel: 12 min", "travel: 4 h"}}, []string{
		`k.yaml:96: run "morning": the van reaches shop "north" at 10:30, after it stops receiving at 10:00`,
	}},
	"van out twice": {[]change{{"    stops:\n", "    stops: [{shop: north, travel: 12 min, stay: 15 min}]\n  second:\n    name: Second\n    vehicle: van\n    days: Sat\n    departs: 06:40\n    stops:\n"}}, []string{
		`k.yaml:94: run "morning": vehicle "van" is on this run until 06:57, but run "second" takes it at 06:40`,
		`k.yaml:102: run "second": run "morning" stops at shop "north" on one of these days already, and a shop gets its goods of a morning with one run; give the runs other days, or take it off one of them`,
	}},
	"anchor": {[]change{{"    name: North\n", "    name: &n North\n"}}, []string{
		`k.yaml:80: anchors (&) and aliases (*) are not read; write the entry out`,
	}},
	"not YAML": {[]change{{"    name: North\n", "    name: {North\n"}}, []string{
		`k.yaml:79: this is not YAML: did not find expected ',' or '}'; look at indents, colons, brackets and quotes on this line and the one before`,
	}},
	"tab": {[]change{{"    name: North\n", "\\tname: North\n"}}, []string{
		`k.yaml:81: this is not YAML: mapping values are not allowed in this context; look at indents, colons, brackets and quotes on this line and the one before`,
	}},
	"second document": {[]change{{"vehicles:\n", "---\nvehicles:\n"}}, []string{
		`k.yaml:87: a second document begins here; keep one kitchen in one file and remove the "---"`,
	}},
}
