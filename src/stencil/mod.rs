//! Stencil: will the drawing survive as foil, and what must change so that it does?

mod anchoring;
mod bars;
mod film;
mod foil;
mod geometry;
pub mod rules;
mod split;
mod strips;
mod symmetry;
mod whole;

use crate::artwork::{Layer, TieLine};
use crate::finding::{Checked, Finding};
use crate::recipe::Recipe;
use crate::regions::{Bounds, EdgeIndex, Point, Regions, Shape, difference, inset, outset};
use crate::units::{NM_PER_UM, show_length_um};
use bars::{Placed, Surroundings};
use foil::MOST_HAIRS;
use geometry::{middle, mm, point, v};
use rayon::prelude::*;
pub use split::{SplitProof, StencilSeam};
use std::cell::LazyCell;
use std::collections::BTreeSet;
use std::sync::LazyLock;
use strips::Strips;

/// A layer made into a sheet that holds together.
#[derive(Debug, Clone)]
pub struct Stencil {
    pub name: String,
    /// The sheet of foil.
    pub sheet: Regions,
    /// The openings as drawn.
    pub drawn: Regions,
    /// The openings to be cut: as drawn, less the tie bars.
    pub openings: Regions,
    pub islands: Vec<Island>,
    pub tie_bars: Vec<TieBar>,
    /// Where this stencil and another of the same layer share an opening.
    pub seams: Vec<StencilSeam>,
    /// What other stencils of the same layer open.
    pub elsewhere: Regions,
    /// How the layer was split, where it was.
    pub split: Option<SplitProof>,
}

impl Stencil {
    /// The layer as drawn, before anything is done about islands.
    fn uncut(layer: &Layer, sheet: &Regions) -> Stencil {
        Stencil {
            name: layer.name.clone(),
            sheet: sheet.clone(),
            drawn: layer.openings.clone(),
            openings: layer.openings.clone(),
            islands: Vec::new(),
            tie_bars: Vec::new(),
            seams: Vec::new(),
            elsewhere: Regions::new(),
            split: None,
        }
    }
}

/// A piece of foil that nothing would hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Island {
    /// A point inside the piece.
    pub at: Point,
    pub area_um2: f64,
    /// Indices of its bars in [`Stencil::tie_bars`].
    pub bars: Vec<usize>,
    /// Too small to hold: it falls out, and that is reported.
    pub speck: bool,
}

/// A bar of foil across an opening. It ends inside the foil on both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct TieBar {
    /// Ends of the centre line, on the edges of the opening it crosses.
    pub from: Point,
    pub to: Point,
    /// Width of metal left.
    pub width_um: f64,
    /// Why it is where it is, for people.
    pub reason: String,
}

/// What to do with islands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum IslandMode {
    /// Hold them with tie bars.
    #[default]
    Tie,
    /// Share the openings between two or more stencils, so that none has an island.
    Split,
    /// Place nothing; every island is a finding that blocks.
    Refuse,
}

/// Rests of openings beside bars are crumbs when they are shorter than this many kerfs and nowhere two kerfs wide.
const CRUMB: f64 = 4.0;
/// What lies so near to a drawn edge lies on it.
const ON_EDGE_NM: f64 = 3.0;
/// Slits beside bars are at most this many kerfs wide: hardly more, so that only what no beam reaches is left.
const SLIT: f64 = 1.02;
/// Area that a corner of 45 degrees keeps from a disc of radius one: cot(a / 2) - (pi - a) / 2, and a little.
const WEDGE: f64 = 1.3;

/// Rounds of placing bars and looking again. One is enough by construction; the others are for
/// what grid rounding leaves.
const ROUNDS: usize = 4;

/// Makes a layer's openings into a stencil, or several, that hold together after the cut.
///
/// Foil counts as held where webs of at least `recipe.min_web_um()` lead to the sheet's edge.
/// `Tie` and `Refuse` give one stencil, `Split` one or more, named NAME-a, NAME-b where there are several.
///
/// Findings: `island` (refused), `islands-too-many`, `island-untied`, `sheet-divided` and `foil-missing` block; `speck-lost`, `tie-bar-narrow`,
/// `tie-single`, `film-parted` warn.
pub fn hold_together(
    layer: &Layer,
    sheet: &Regions,
    recipe: &Recipe,
    mode: IslandMode,
) -> Checked<Vec<Stencil>> {
    let mut findings = Vec::new();
    let mut stencil = Stencil::uncut(layer, sheet);
    match mode {
        IslandMode::Refuse => refuse(&mut stencil, recipe, &mut findings),
        IslandMode::Tie => tie(&mut stencil, layer, recipe, &mut findings),
        IslandMode::Split => {
            let found = foil::pieces(sheet, &stencil.openings, recipe);
            if found.loose() > 0 || !layer.tie_lines.is_empty() {
                if too_many(&found, sheet, recipe, &mut findings) {
                    note_islands(&mut stencil, &found, recipe, &mut findings);
                    return Checked::new(vec![stencil], findings);
                }
                note_parts(&found, &mut findings);
                let mut split = split::split(layer, sheet, recipe, &found);
                split.findings.extend(findings);
                return split;
            }
            tie(&mut stencil, layer, recipe, &mut findings);
        }
    }
    Checked::new(vec![stencil], findings)
}

/// The number of pieces of foil that nothing holds once the openings are cut.
pub fn loose_pieces(sheet: &Regions, openings: &Regions, recipe: &Recipe) -> usize {
    foil::pieces(sheet, openings, recipe).loose()
}

/// Says so where there are more islands than can be held.
fn too_many(
    foil: &foil::Foil,
    sheet: &Regions,
    recipe: &Recipe,
    findings: &mut Vec<Finding>,
) -> bool {
    let loose = foil.loose();
    let hairs = foil.hairs.len();
    let most = recipe.rules.max_islands as usize;
    let min_web = show_length_um(recipe.min_web_um());
    let hint = "divide the layer among several drawings, or set [rules] max_islands higher and wait for it; the other rules are looked at once that is mended";
    let (message, hint) = if let Some(pieces) = foil.unseen {
        (
            format!(
                "the cuts leave {pieces} pieces of foil: with more than {} nothing is looked at",
                foil::most_pieces(recipe)
            ),
            hint,
        )
    } else if foil.crowded || hairs > MOST_HAIRS {
        let hairs = if foil.crowded {
            format!("more than {MOST_HAIRS}")
        } else {
            hairs.to_string()
        };
        (
            format!(
                "{loose} pieces of foil are held by nothing or by webs below the minimum of {min_web}, of which there are {hairs}: more than can be seen to, so that no bars are placed"
            ),
            "move the openings further apart, choose a recipe with a narrower minimum web, or divide the layer among several drawings; the other rules are looked at once that is mended",
        )
    } else if loose > most {
        (
            format!(
                "{loose} islands, held by nothing or by webs below the minimum of {min_web}: no bars are placed for more than {most}"
            ),
            hint,
        )
    } else {
        return false;
    };
    let (min, max) = (0..foil.cores.len())
        .filter(|&i| foil.is_loose(i))
        .map(|i| foil.cores.shape(i).bounds())
        .chain(foil.unseen.and_then(|_| sheet.bounds()))
        .fold(([i32::MAX; 2], [i32::MIN; 2]), |(lo, hi), b| {
            (
                [lo[0].min(b.min.x), lo[1].min(b.min.y)],
                [hi[0].max(b.max.x), hi[1].max(b.max.y)],
            )
        });
    let [x, y] = mm(middle(min.map(f64::from), max.map(f64::from)));
    findings.push(
        Finding::blocking("islands-too-many", message)
            .hint(hint)
            .at(x, y),
    );
    true
}

/// A sheet whose parts all reach its edge has no island, and is cut in two all the same.
fn note_parts(foil: &foil::Foil, findings: &mut Vec<Finding>) {
    for gap in foil.gaps_between_parts() {
        let [x, y] = mm(gap);
        findings.push(
            Finding::blocking(
                "sheet-divided",
                "the cuts divide the sheet: foil on both sides of this opening reaches the sheet's edge",
            )
            .hint("end the opening inside the page, or draw a bridge of foil across it")
            .at(x, y),
        );
    }
}

/// Notes the islands and specks of `foil`; gives for each piece its index among the islands.
fn note_islands(
    stencil: &mut Stencil,
    foil: &foil::Foil,
    recipe: &Recipe,
    findings: &mut Vec<Finding>,
) -> Vec<usize> {
    let mut index = vec![usize::MAX; foil.cores.len()];
    for (piece, shape) in foil.cores.shapes().enumerate() {
        if foil.is_loose(piece) {
            index[piece] = stencil.islands.len();
            stencil.islands.push(Island {
                at: geometry::inner_point(shape),
                area_um2: foil.areas_nm2[piece] / 1e6,
                bars: Vec::new(),
                speck: false,
            });
        }
    }
    for &(at, area) in &foil.specks {
        stencil.islands.push(Island {
            at,
            area_um2: area / 1e6,
            bars: Vec::new(),
            speck: true,
        });
        let [x, y] = mm(v(at));
        findings.push(
            Finding::warning(
                "speck-lost",
                format!(
                    "a speck of foil of {:.0} um2 is nowhere as wide as the minimum web of {}: it falls out",
                    area / 1e6,
                    show_length_um(recipe.min_web_um())
                ),
            )
            .hint("draw it wider, or fill it, if it matters")
            .at(x, y),
        );
    }
    note_parts(foil, findings);
    if foil.frame.is_none() && foil.unseen.is_none() {
        findings.push(
            Finding::blocking(
                "foil-missing",
                "the openings leave no foil along the sheet's edge that could hold anything",
            )
            .hint("draw on a larger page, or set [sheet] size"),
        );
    }
    index
}

fn refuse(stencil: &mut Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let found = foil::pieces(&stencil.sheet, &stencil.openings, recipe);
    note_islands(stencil, &found, recipe, findings);
    if found.unseen.is_some() {
        too_many(&found, &stencil.sheet, recipe, findings);
    }
    for island in stencil.islands.iter().filter(|i| !i.speck) {
        let [x, y] = mm(v(island.at));
        findings.push(
            Finding::blocking(
                "island",
                format!(
                    "a piece of foil of {:.4} mm2 is held by nothing: it would fall out",
                    island.area_um2 / 1e6
                ),
            )
            .hint("let tie bars hold it, split the layer, or draw a bridge")
            .at(x, y),
        );
    }
}

fn tie(stencil: &mut Stencil, layer: &Layer, recipe: &Recipe, findings: &mut Vec<Finding>) {
    // Built only where bars are placed.
    let edges = LazyCell::new(|| EdgeIndex::new(&layer.openings));
    let mut strips = Strips::default();
    for line in &layer.tie_lines {
        by_hand(stencil, line, recipe, &edges, &mut strips, findings);
    }
    if !strips.is_empty() {
        stencil.openings = strips.take_from(&stencil.drawn, recipe);
    }
    let around = LazyCell::new(|| Surroundings::new(layer));
    let mut untied = Vec::new();
    for round in 0..ROUNDS {
        let found = foil::pieces(&stencil.sheet, &stencil.openings, recipe);
        let index = if round == 0 {
            note_islands(stencil, &found, recipe, findings)
        } else {
            // A rest of an island already noted.
            let of = |i| nearest_island(stencil, geometry::inner_point(found.cores.shape(i)));
            (0..found.cores.len())
                .map(|i| if found.is_loose(i) { of(i) } else { usize::MAX })
                .collect()
        };
        if round == 0 && too_many(&found, &stencil.sheet, recipe, findings) {
            break;
        }
        if found.loose() == 0 {
            untied.clear();
            break;
        }
        let placement = bars::place(&found, &around, &stencil.tie_bars, recipe);
        untied = placement
            .untied
            .iter()
            .map(|&(piece, span)| (geometry::inner_point(found.cores.shape(piece)), span))
            .collect();
        if placement.bars.is_empty() {
            break;
        }
        for bar in &placement.bars {
            strips.push(bar.from, bar.to, bar.width_nm);
            let holds = [Some(bar.piece), bar.also].map(|p| p.map(|p| index[p]));
            keep(stencil, bar, holds, &edges);
        }
        stencil.openings = strips.take_from(&stencil.drawn, recipe);
    }
    if !stencil.tie_bars.is_empty() {
        close_rests(stencil, recipe);
    }
    for (at, span) in untied {
        let [x, y] = mm(v(at));
        findings.push(
            Finding::blocking(
                "island-untied",
                match span {
                    Some(s) => format!(
                        "no tie bar can hold this piece of foil: the shortest would span {}, or crosses a region kept clear",
                        show_length_um(s / NM_PER_UM)
                    ),
                    None => "no tie bar can reach this piece of foil".to_owned(),
                },
            )
            .hint("split the layer (--islands split), place a tie line by hand, or raise [tie_bars] max_span_mm")
            .at(x, y),
        );
    }
    bar_findings(stencil, recipe, findings);
    if !stencil.tie_bars.is_empty() {
        film::parted(stencil, recipe, findings);
    }
}

/// Rests of openings beside bars that no beam gets into are left to the bars: slits and wedges that were not
/// there as drawn, and crumbs.
fn close_rests(stencil: &mut Stencil, recipe: &Recipe) {
    let kerf_nm = recipe.kerf.width_um * NM_PER_UM;
    let tolerance_nm = recipe.tolerance_um() * NM_PER_UM;
    let name = |s: Shape<'_>| (s.bounds().min.x, s.bounds().min.y, s.area_nm2() as i64);
    let drawn: BTreeSet<_> = stencil.drawn.shapes().map(name).collect();
    let radius_nm = SLIT * kerf_nm / 2.0;
    // Narrower than that; rounded corners are not.
    let narrow = |r: &Regions| {
        let wide = outset(
            &inset(r, radius_nm, tolerance_nm),
            radius_nm + 2.0 * tolerance_nm,
            tolerance_nm,
        );
        difference(r, &wide)
    };
    let slit = |s: Shape<'_>| s.area_nm2() > WEDGE * radius_nm * radius_nm;
    let touched = stencil.openings.filter(|s| !drawn.contains(&name(s)));
    let slits = if radius_nm < 1.0 {
        Regions::new()
    } else {
        narrow(&touched).filter(slit)
    };
    if !slits.is_empty() {
        let about: Vec<Bounds> = slits.shapes().map(|s| s.bounds()).collect();
        let near = stencil
            .drawn
            .filter(|s| about.iter().any(|b| b.overlaps(&s.bounds())));
        let before = outset(&narrow(&near), 2.0 * tolerance_nm, tolerance_nm);
        let new = difference(&slits, &before).filter(slit);
        let metal = outset(&new, 2.0 * tolerance_nm, tolerance_nm);
        stencil.openings = difference(&stencil.openings, &metal);
    }
    // A part of a drawn opening that hangs on the rest by a point becomes a shape of its own as bars are taken off; all
    // of its outline is drawn.
    let edges = LazyLock::new(|| EdgeIndex::new(&stencil.drawn));
    let as_drawn = |s: &Shape<'_>| {
        s.rings().all(|ring| {
            (0..ring.len()).all(|i| {
                let at = middle(v(ring[i]), v(ring[(i + 1) % ring.len()]));
                edges.nearest(at).is_some_and(|(_, _, d)| d <= ON_EDGE_NM)
            })
        })
    };
    let keep = |i: usize| {
        let s = stencil.openings.shape(i);
        let b = s.bounds();
        let small = (b.width_nm().max(b.height_nm()) as f64) < CRUMB * kerf_nm;
        !small
            || drawn.contains(&name(s))
            || as_drawn(&s)
            || !inset(&s.to_regions(), kerf_nm, tolerance_nm).is_empty()
    };
    let kept: Vec<bool> = (0..stencil.openings.len())
        .into_par_iter()
        .with_min_len(64)
        .map(keep)
        .collect();
    let mut kept = kept.into_iter();
    stencil.openings = stencil.openings.filter(|_| kept.next() == Some(true));
}

fn nearest_island(stencil: &Stencil, at: Point) -> usize {
    let d = |i: &Island| crate::regions::distance_nm(i.at, at);
    (0..stencil.islands.len())
        .min_by(|&a, &b| d(&stencil.islands[a]).total_cmp(&d(&stencil.islands[b])))
        .unwrap_or(usize::MAX)
}

fn keep(stencil: &mut Stencil, bar: &Placed, holds: [Option<usize>; 2], edges: &EdgeIndex) {
    let (from, to) = bars::clip_to_opening(edges, &stencil.drawn, bar.from, bar.to);
    for island in holds.into_iter().flatten() {
        if let Some(island) = stencil.islands.get_mut(island) {
            island.bars.push(stencil.tie_bars.len());
        }
    }
    let mut reason = bar.reason.clone();
    if bar.narrowed {
        reason.push_str("; narrower than asked, so that it does not bury the island");
    }
    stencil.tie_bars.push(TieBar {
        from: point(from),
        to: point(to),
        width_um: bar.width_nm / NM_PER_UM,
        reason,
    });
}

fn by_hand(
    stencil: &mut Stencil,
    line: &TieLine,
    recipe: &Recipe,
    edges: &EdgeIndex,
    strips: &mut Strips,
    findings: &mut Vec<Finding>,
) {
    if line.from == line.to {
        return;
    }
    let asked = line.width_um.unwrap_or(recipe.tie_bars.width_um);
    let width_um = asked.max(recipe.min_web_um());
    let [x, y] = mm(middle(v(line.from), v(line.to)));
    if width_um > asked {
        findings.push(
            Finding::warning(
                "tie-bar-widened",
                "a bar placed by hand is narrower than the minimum web and was widened to it",
            )
            .element(line.id.clone())
            .at(x, y)
            .measured(asked, width_um),
        );
    }
    strips.push(v(line.from), v(line.to), width_um * NM_PER_UM);
    let (from, to) = bars::clip_to_opening(edges, &stencil.drawn, v(line.from), v(line.to));
    stencil.tie_bars.push(TieBar {
        from: point(from),
        to: point(to),
        width_um,
        reason: format!("placed by hand: `{}`", line.id),
    });
}

/// Bars that came out narrower than asked, or alone.
fn bar_findings(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    for island in &stencil.islands {
        let narrow = |&&k: &&usize| stencil.tie_bars[k].reason.contains("narrower than asked");
        let Some(bar) = island
            .bars
            .iter()
            .find(narrow)
            .map(|&k| &stencil.tie_bars[k])
        else {
            continue;
        };
        let [x, y] = mm(middle(v(bar.from), v(bar.to)));
        findings.push(
            Finding::note(
                "tie-bar-narrow",
                format!(
                    "the island is so small that its tie bars are narrower than asked: {} instead of {}",
                    show_length_um(bar.width_um),
                    show_length_um(recipe.tie_bars.width_um)
                ),
            )
            .hint("draw the island larger, or split the layer")
            .at(x, y)
            .measured(bar.width_um, recipe.tie_bars.width_um),
        );
    }
    if recipe.tie_bars.min_per_island < 2 {
        return;
    }
    for island in stencil.islands.iter().filter(|i| i.bars.len() == 1) {
        let [x, y] = mm(v(island.at));
        findings.push(
            Finding::warning(
                "tie-single",
                "the island has room for one tie bar only: it can swing about it",
            )
            .hint("draw the island larger, or split the layer")
            .at(x, y),
        );
    }
}
