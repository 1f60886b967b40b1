//! Walks the resolved drawing and collects what paints, layer by layer.

mod limits;
pub(super) use limits::tangled;

use super::composite::{self, Paint};
use super::fill::{Source, Trouble, fill_rings, segments};
use super::layers::{self, Draft};
use super::outline::Outline;
use super::resolved::{
    Map, cannot_resolve, luminance, only_id, partial_opacity, pen, rule, svg_options,
};
use super::size::PageSize;
use super::source::{self, Said, Survey};
use super::stroke::{self, Piece};
use super::{Artwork, Element, ReadOptions, Refusal, TieLine, TieSettings, fonts, logs};
use crate::finding::{Checked, Finding};
use crate::regions::{
    Bounds, FillRule, MOST_CROSSINGS, Point, Regions, intersection, is_tangled, normalise,
    normalise_within,
};
use crate::units::NM_PER_MM;
use rayon::prelude::*;
use std::rc::Rc;

/// Farthest coordinate read, millimetres.
pub(super) const FARTHEST_MM: f64 = 1000.0;
/// Most points of flattened outlines.
pub(super) const MOST_POINTS: usize = stroke::MOST_POINTS;

/// What holds for everything inside a group.
#[derive(Clone)]
struct Context<'a> {
    map: Map,
    layer: Option<usize>,
    id: &'a str,
    /// What the element of that id draws, where the drawing itself was read. What has no id of its own has that of
    /// something around it, which draws nothing itself.
    outline: Option<&'a Outline>,
    clip: Option<Rc<Regions>>,
    tie: bool,
    keep_clear: bool,
    ties: TieSettings,
    /// Inside text, where closed outlines are letters.
    glyph: bool,
}

/// A fill that has its place among the paint and not yet its outline.
struct Fill<'a> {
    path: &'a usvg::Path,
    rule: FillRule,
    context: Context<'a>,
    draft: usize,
    paint: usize,
}

struct Walker<'a> {
    options: &'a ReadOptions,
    survey: &'a Survey,
    mm_per_unit: f64,
    drafts: Vec<Draft>,
    /// Index of the draft that takes paint outside every layer.
    outside: usize,
    points: usize,
    /// Fills put off until all of them are known.
    fills: Vec<Fill<'a>>,
    /// Collects only tie lines and keep-clear areas.
    marks: bool,
    findings: Vec<Finding>,
    refusals: Vec<Refusal>,
}

/// Reads the whole drawing.
pub(super) fn read(
    text: &str,
    stem: &str,
    options: &ReadOptions,
) -> Result<Checked<Artwork>, Vec<Refusal>> {
    read_once(text, stem, options, true).or_else(|refusals| {
        // Where something is refused, each element has to speak for itself, unless they are too many.
        let own_words = read_once(text, stem, options, false);
        match &own_words {
            Err(own) if own.iter().any(|r| r.code == "not-svg") => Err(refusals),
            _ => own_words,
        }
    })
}

fn read_once(
    text: &str,
    stem: &str,
    options: &ReadOptions,
    join: bool,
) -> Result<Checked<Artwork>, Vec<Refusal>> {
    let survey = {
        let doc = source::parse(text).map_err(|r| vec![r])?;
        source::survey(&doc, options.width_mm, join).map_err(|r| vec![r])?
    };
    let text = survey.text.as_deref().unwrap_or(text);
    let doc = source::parse(text).map_err(|r| vec![r])?;
    let fonts = fonts::Fonts::for_text(text, &options.fonts);
    let (tree, lines) = logs::collect(|| usvg::Tree::from_xmltree(&doc, &svg_options(&fonts)));
    let tree = tree.map_err(|e| vec![cannot_resolve(&e)])?;
    let mm_per_unit = match survey.page {
        PageSize::Physical([w, _]) | PageSize::Width(w) => w / f64::from(tree.size().width()),
    };
    let size_mm = match survey.page {
        PageSize::Physical(size) => size,
        PageSize::Width(w) => [w, f64::from(tree.size().height()) * mm_per_unit],
    };
    let mut walker = Walker::new(options, &survey, stem, mm_per_unit, false);
    walker.group(tree.root(), &Context::page(mm_per_unit));
    walker.fill_in();
    if let Some(marked) = &survey.marked_text
        && let Ok(doc) = source::parse(marked)
        && let (Ok(tree), _) =
            logs::collect(|| usvg::Tree::from_xmltree(&doc, &svg_options(&fonts)))
    {
        let mut marks = Walker::new(options, &survey, stem, mm_per_unit, true);
        marks.group(tree.root(), &Context::page(mm_per_unit));
        for (draft, mut marked) in walker.drafts.iter_mut().zip(marks.drafts) {
            draft.keep_clear.append(&mut marked.keep_clear);
            draft.tie_lines.append(&mut marked.tie_lines);
        }
    }
    let mut refusals = survey.refusals.clone();
    refusals.append(&mut walker.refusals);
    refusals.extend(fonts.missing().iter().map(|f| fonts::refusal(f)));
    if !refusals.is_empty() {
        return Err(refusals);
    }
    let mut findings = survey.findings.clone();
    let mut lines = lines;
    lines.sort();
    lines.dedup();
    findings.extend(lines.into_iter().map(|line| {
        Finding::warning("svg-warning", format!("the SVG reader says: {line}"))
            .hint("look whether the picture shows everything you drew")
    }));
    findings.append(&mut walker.findings);
    let layers =
        layers::finish(walker.drafts, &survey, size_mm, &mut findings).map_err(|r| vec![r])?;
    layers::shorten(&mut findings);
    Ok(Checked::new(
        Artwork {
            stem: stem.to_owned(),
            size_mm,
            layers,
            fonts: fonts.used(),
        },
        findings,
    ))
}

impl Context<'_> {
    fn page(mm_per_unit: f64) -> Context<'static> {
        Context {
            map: Map::scale(mm_per_unit),
            layer: None,
            id: "",
            outline: None,
            clip: None,
            tie: false,
            keep_clear: false,
            ties: TieSettings::default(),
            glyph: false,
        }
    }
}

impl<'a> Walker<'a> {
    fn new(
        options: &'a ReadOptions,
        survey: &'a Survey,
        stem: &str,
        mm_per_unit: f64,
        marks: bool,
    ) -> Walker<'a> {
        Walker {
            options,
            survey,
            mm_per_unit,
            drafts: survey
                .layers
                .iter()
                .map(|l| l.name.as_str())
                .chain([stem])
                .map(Draft::new)
                .collect(),
            outside: survey.layers.len(),
            points: 0,
            fills: Vec::new(),
            marks,
            findings: Vec::new(),
            refusals: Vec::new(),
        }
    }

    fn draft(&mut self, context: &Context<'_>) -> &mut Draft {
        &mut self.drafts[context.layer.unwrap_or(self.outside)]
    }

    fn layer_name(&self, context: &Context<'_>) -> Option<&str> {
        context.layer.map(|i| self.drafts[i].name.as_str())
    }

    fn refuse(
        &mut self,
        refusal: Refusal,
        context: &Context<'_>,
        bounds: impl Into<Option<usvg::Rect>>,
    ) {
        let centre = bounds.into().map(|b| {
            [b.left() + b.right(), b.top() + b.bottom()]
                .map(|twice| f64::from(twice) / 2.0 * self.mm_per_unit)
        });
        let refusal = refusal
            .element(context.id)
            .layer(self.layer_name(context))
            .at(centre.filter(|c| c.iter().all(|v| v.is_finite())));
        if !self.refusals.contains(&refusal) {
            self.refusals.push(refusal);
        }
    }

    /// The context inside something with this id.
    fn inside(&self, context: &Context<'a>, id: &'a str) -> Context<'a> {
        let mut inner = context.clone();
        if id.is_empty() {
            return inner;
        }
        inner.id = id;
        inner.outline = self.survey.outlines.get(id);
        if inner.layer.is_none() {
            inner.layer = self.survey.layers.iter().position(|l| l.id == id);
        }
        if let Some(Said {
            tie,
            keep_clear,
            ties,
            ..
        }) = self.survey.said.get(id)
        {
            inner.tie |= tie;
            inner.keep_clear |= keep_clear;
            inner.ties = TieSettings {
                width_um: ties.width_um.or(inner.ties.width_um),
                count: ties.count.or(inner.ties.count),
                span_mm: ties.span_mm.or(inner.ties.span_mm),
            };
        }
        inner
    }

    fn group(&mut self, group: &'a usvg::Group, context: &Context<'a>) {
        let mut context = self.inside(context, group.id());
        if context
            .layer
            .is_some_and(|i| self.survey.layers.get(i).is_some_and(|l| l.notes))
        {
            return;
        }
        self.draft(&context).seen = true;
        context.map = context.map.after(group.transform());
        let place = group.abs_bounding_box();
        let opacity = group.opacity().get();
        if opacity == 0.0 {
            return;
        }
        let mut unsupported = Vec::new();
        if opacity < 1.0 {
            unsupported.push(partial_opacity(opacity));
        }
        if group.blend_mode() != usvg::BlendMode::Normal {
            unsupported.push(Refusal::new(
                "blend-mode",
                format!("the blend mode `{}` has no cut meaning", group.blend_mode()),
                "set it to normal",
            ));
        }
        if group.mask().is_some() {
            unsupported.push(Refusal::new(
                "mask",
                "a mask has no cut meaning",
                "use a clip path, or draw the visible part",
            ));
        }
        if !group.filters().is_empty() {
            unsupported.push(Refusal::new(
                "filter",
                "a filter has no cut meaning",
                "remove the filter, blur or shadow",
            ));
        }
        if !unsupported.is_empty() {
            // The library wraps an element in a nameless group to hold such properties.
            let named = self.inside(
                &context,
                if group.id().is_empty() {
                    only_id(group)
                } else {
                    ""
                },
            );
            for refusal in unsupported {
                self.refuse(refusal, &named, place);
            }
        }
        if let Some(clip) = group.clip_path() {
            let region = self.clip_region(clip, &context);
            context.clip = Some(Rc::new(match &context.clip {
                Some(outer) => self.both(outer, &region, &context),
                None => region,
            }));
        }
        for node in group.children() {
            match node {
                usvg::Node::Group(inner) => self.group(inner, &context),
                usvg::Node::Path(path) => {
                    self.path(path, &self.inside(&context, path.id()));
                    let survey = self.survey;
                    for (id, outline) in survey.alike.get(path.id()).into_iter().flatten() {
                        let mut alike = self.inside(&context, id);
                        alike.outline = Some(outline);
                        self.path(path, &alike);
                    }
                }
                usvg::Node::Text(text) => {
                    let inner = Context {
                        glyph: true,
                        ..self.inside(&context, text.id())
                    };
                    self.group(text.flattened(), &inner);
                }
                usvg::Node::Image(image) => {
                    if image.is_visible() {
                        let inner = self.inside(&context, image.id());
                        let refusal = Refusal::new(
                            "raster-image",
                            "an image has no cut meaning",
                            "trace it to paths and delete the image",
                        );
                        self.refuse(refusal, &inner, image.abs_bounding_box());
                    }
                }
            }
        }
    }

    fn clip_region(&mut self, clip: &usvg::ClipPath, context: &Context<'_>) -> Regions {
        let inner = Context {
            map: context.map.after(clip.transform()),
            clip: None,
            ..context.clone()
        };
        let mut parts = Vec::new();
        self.clip_parts(clip.root(), &inner, &mut parts);
        let region = self.all_of(&parts, context);
        match clip.clip_path() {
            Some(further) => {
                let further = self.clip_region(further, context);
                self.both(&region, &further, context)
            }
            None => region,
        }
    }

    /// The intersection of clip paths; refused where they cross too often.
    fn both(&mut self, a: &Regions, b: &Regions, context: &Context<'_>) -> Regions {
        if is_tangled(a, b) {
            self.refuse(tangled("with its clip paths it"), context, None);
            return Regions::new();
        }
        intersection(a, b)
    }

    /// The union of the parts of a clip path; refused where they cross too often.
    fn all_of(&mut self, parts: &[Regions], context: &Context<'_>) -> Regions {
        let rings: Vec<&[Point]> = parts.iter().flat_map(Regions::rings).collect();
        normalise_within(&rings, FillRule::NonZero, MOST_CROSSINGS).unwrap_or_else(|| {
            self.refuse(tangled("its clip path"), context, None);
            Regions::new()
        })
    }

    fn clip_parts(&mut self, group: &usvg::Group, context: &Context<'_>, parts: &mut Vec<Regions>) {
        for node in group.children() {
            match node {
                usvg::Node::Path(path) => {
                    if let (true, Some(fill)) = (path.is_visible(), path.fill())
                        && let Some(rings) = self.fill_rings(path, &context.map, context)
                    {
                        match normalise_within(&rings, rule(fill.rule()), MOST_CROSSINGS) {
                            Some(part) => parts.push(part),
                            None => self.tangled(path, context),
                        }
                    }
                }
                usvg::Node::Group(inner) => {
                    let context = Context {
                        map: context.map.after(inner.transform()),
                        ..context.clone()
                    };
                    let mut within = Vec::new();
                    self.clip_parts(inner, &context, &mut within);
                    if let Some(clip) = inner.clip_path() {
                        let clip = self.clip_region(clip, &context);
                        let all = self.all_of(&within, &context);
                        within = vec![self.both(&all, &clip, &context)];
                    }
                    parts.append(&mut within);
                }
                usvg::Node::Text(text) => self.clip_parts(text.flattened(), context, parts),
                usvg::Node::Image(_) => {}
            }
        }
    }

    /// Paint of a path, or of one that looks like it and has another id and outline.
    fn path(&mut self, path: &'a usvg::Path, context: &Context<'a>) {
        if !path.is_visible() {
            self.draft(context).invisible += 1;
            return;
        }
        if context.tie {
            if self.marks {
                self.tie_lines(path, context);
            }
            return;
        }
        if self.marks && !context.keep_clear {
            return;
        }
        let fill = path.fill().and_then(|f| {
            self.colour(f.paint(), f.opacity().get(), "fill", path, context)
                .map(|c| (c, f.rule()))
        });
        let stroke = path.stroke().and_then(|s| {
            self.colour(s.paint(), s.opacity().get(), "stroke", path, context)
                .map(|c| (c, s))
        });
        if let (None, Some((colour, _)), false) = (&fill, &stroke, context.glyph)
            && !self.marks
            && luminance(*colour) < 0.5
            && Self::source(path, context)
                .pieces()
                .any(|p| p == Piece::Close)
        {
            let [x0, y0, x1, y1] = Self::source(path, context).bounds(&context.map);
            let at = [f64::midpoint(x0, x1), f64::midpoint(y0, y1)];
            let mut finding = Finding::warning(
                "outline-without-fill",
                "a closed outline without fill: only the line itself is opened, not the area inside",
            )
            .hint("fill it if the area inside is meant")
            .at(at[0], at[1]);
            finding.element_id = (!context.id.is_empty()).then(|| context.id.to_string());
            finding.layer = self.layer_name(context).map(str::to_owned);
            self.findings.push(finding);
        }
        let stroke_first = path.paint_order() == usvg::PaintOrder::StrokeAndFill;
        if stroke_first && let Some((colour, stroke)) = stroke {
            self.stroke(path, colour, stroke, context);
        }
        if let Some((colour, fill_rule)) = fill {
            self.fill(path, colour, rule(fill_rule), context);
        }
        if !stroke_first && let Some((colour, stroke)) = stroke {
            self.stroke(path, colour, stroke, context);
        }
    }

    fn fill(
        &mut self,
        path: &'a usvg::Path,
        colour: usvg::Color,
        rule: FillRule,
        context: &Context<'a>,
    ) {
        let plain = context.clip.is_none() && !self.marks && !self.is_between(colour);
        if !plain {
            if let Some(rings) = self.fill_rings(path, &context.map, context) {
                match composite::clean(rings, rule) {
                    Some(rings) => self.paint(rings, colour, context),
                    None => self.tangled(path, context),
                }
            }
            return;
        }
        if self.is_too_far(path, &context.map, 0.0, context) {
            return;
        }
        // Takes its place among the paint now and its outline later.
        let nowhere = Point::new(0, 0);
        let bounds = Bounds {
            min: nowhere,
            max: nowhere,
        };
        let draft = context.layer.unwrap_or(self.outside);
        self.fills.push(Fill {
            path,
            rule,
            context: context.clone(),
            draft,
            paint: self.drafts[draft].paints.len(),
        });
        self.lay_down(Vec::new(), bounds, colour, context);
    }

    /// The colour of a fill or stroke that paints; refuses what is no plain opaque colour.
    fn colour(
        &mut self,
        paint: &usvg::Paint,
        opacity: f32,
        which: &str,
        path: &usvg::Path,
        context: &Context<'_>,
    ) -> Option<usvg::Color> {
        if opacity == 0.0 {
            return None;
        }
        let (code, what) = match paint {
            usvg::Paint::Color(colour) if opacity >= 1.0 => return Some(*colour),
            usvg::Paint::Color(_) => {
                self.refuse(partial_opacity(opacity), context, path.abs_bounding_box());
                return None;
            }
            usvg::Paint::Pattern(_) => ("pattern", "a pattern"),
            usvg::Paint::LinearGradient(_) | usvg::Paint::RadialGradient(_) => {
                ("gradient", "a gradient")
            }
        };
        let refusal = Refusal::new(
            code,
            format!("its {which} is {what}, which has no cut meaning"),
            "use a flat colour: dark opens the foil, light closes it",
        );
        self.refuse(refusal, context, path.abs_stroke_bounding_box());
        None
    }

    /// What the path draws: as read from the drawing itself, else as the library gives it.
    fn source<'p>(path: &'p usvg::Path, context: &Context<'p>) -> Source<'p> {
        let library = Source::Library(path.data());
        context.outline.map_or(library, Source::Drawing)
    }

    fn tolerance_mm(&self) -> f64 {
        self.options.tolerance_um.max(0.002) / 1e3
    }

    fn fill_rings(
        &mut self,
        path: &usvg::Path,
        map: &Map,
        context: &Context<'_>,
    ) -> Option<Vec<Vec<Point>>> {
        if self.is_too_far(path, map, 0.0, context) {
            return None;
        }
        let read = fill_rings(Self::source(path, context), map, self.tolerance_mm());
        self.judge(read, path, context)
    }

    /// Counts the points of outlines, given with them, or refuses them.
    fn judge(
        &mut self,
        read: Result<(Vec<Vec<Point>>, usize), Trouble>,
        path: &usvg::Path,
        context: &Context<'_>,
    ) -> Option<Vec<Vec<Point>>> {
        match read {
            Ok((rings, points)) => {
                self.points += points;
                if self.points <= MOST_POINTS {
                    return Some(rings);
                }
                self.too_many(path, context);
            }
            Err(Trouble::TooMany) => self.too_many(path, context),
            Err(Trouble::TooFar(p)) => self.too_far(p, path, context),
            Err(Trouble::Tangled) => self.tangled(path, context),
        }
        None
    }

    /// Flattens the fills put off, on all threads, and puts them in their places.
    fn fill_in(&mut self) {
        let tolerance = self.tolerance_mm();
        let fills = std::mem::take(&mut self.fills);
        let work: Vec<_> = fills
            .iter()
            .map(|f| (Self::source(f.path, &f.context), f.context.map, f.rule))
            .collect();
        let rings: Vec<_> = work
            .into_par_iter()
            .with_min_len(64)
            .map(|(source, map, rule)| {
                let (rings, points) = fill_rings(source, &map, tolerance)?;
                let rings = composite::clean(rings, rule).ok_or(Trouble::Tangled)?;
                Ok((rings, points))
            })
            .collect();
        for (fill, result) in fills.iter().zip(rings) {
            let Some(rings) = self.judge(result, fill.path, &fill.context) else {
                continue;
            };
            if let Some(bounds) = Bounds::of(rings.iter().flatten()) {
                let draft = &mut self.drafts[fill.draft];
                let (paint, element) = (
                    &mut draft.paints[fill.paint],
                    &mut draft.elements[fill.paint],
                );
                (paint.rings, paint.bounds, element.bounds) = (rings, bounds, bounds);
            }
        }
        for draft in &mut self.drafts {
            let mut kept = draft.paints.iter().map(|p| !p.rings.is_empty());
            draft.elements.retain(|_| kept.next().unwrap_or(true));
            draft.paints.retain(|p| !p.rings.is_empty());
        }
    }

    fn stroke(
        &mut self,
        path: &usvg::Path,
        colour: usvg::Color,
        stroke: &usvg::Stroke,
        context: &Context<'_>,
    ) {
        let stretch = context.map.stretch();
        if !(stretch > 0.0 && stretch.is_finite()) {
            return;
        }
        let pen = pen(stroke);
        if self.is_too_far(path, &context.map, pen.width / 2.0 * stretch, context) {
            return;
        }
        let all: Vec<Piece> = Self::source(path, context).pieces().collect();
        let Some(mut outline) = stroke::outline(&all, &pen, self.tolerance_mm() / stretch) else {
            self.too_many(path, context);
            return;
        };
        for p in outline.rings.iter_mut().flatten() {
            *p = context.map.apply(*p);
        }
        if let Some(rings) = self.on_grid(&outline.rings, path, context) {
            let tolerance_nm = self.tolerance_mm() * NM_PER_MM;
            match composite::clean_stroke(rings, outline.has_seams, tolerance_nm) {
                Some(rings) => self.paint(rings, colour, context),
                None => self.tangled(path, context),
            }
        }
    }

    /// Adds paint, in rings of positive winding, to the layer it belongs to.
    fn paint(&mut self, mut rings: Vec<Vec<Point>>, colour: usvg::Color, context: &Context<'_>) {
        if let Some(clip) = &context.clip
            && let Some(bounds) = Bounds::of(rings.iter().flatten())
            && !is_box_around(clip, bounds)
        {
            let painted = normalise(&rings, FillRule::NonZero);
            if is_tangled(&painted, clip) {
                self.refuse(tangled("with its clip path it"), context, None);
                return;
            }
            let clipped = intersection(&painted, clip);
            rings = clipped.rings().map(<[Point]>::to_vec).collect();
        }
        let Some(bounds) = Bounds::of(rings.iter().flatten()) else {
            return;
        };
        if self.marks {
            let region = normalise(&rings, FillRule::NonZero);
            self.draft(context).keep_clear.push(region);
            return;
        }
        if self.is_between(colour) {
            let (r, g, b) = (colour.red, colour.green, colour.blue);
            let finding = Finding::warning(
                "middle-luminance",
                format!(
                    "its colour #{r:02x}{g:02x}{b:02x} is neither dark nor light (luminance {:.2}): taken as {}",
                    luminance(colour),
                    if self.is_dark(colour) { "an opening" } else { "closing the foil" }
                ),
            )
            .hint("use black for openings and white to close them, or pass --opens any-paint");
            self.find(finding, context, bounds);
        }
        self.lay_down(rings, bounds, colour, context);
    }

    fn is_dark(&self, colour: usvg::Color) -> bool {
        if self.options.any_paint {
            colour != usvg::Color::white()
        } else {
            luminance(colour) < 0.5
        }
    }

    /// Neither dark nor light enough to be sure what was meant.
    fn is_between(&self, colour: usvg::Color) -> bool {
        !self.options.any_paint && (0.2..=0.8).contains(&luminance(colour))
    }

    fn lay_down(
        &mut self,
        rings: Vec<Vec<Point>>,
        bounds: Bounds,
        colour: usvg::Color,
        context: &Context<'_>,
    ) {
        let dark = self.is_dark(colour);
        let (id, ties) = (context.id.to_string(), context.ties);
        let draft = self.draft(context);
        draft.elements.push(Element {
            id,
            bounds,
            dark,
            ties,
        });
        draft.paints.push(Paint {
            dark,
            rings,
            bounds,
        });
    }

    fn find(&mut self, finding: Finding, context: &Context<'_>, bounds: Bounds) {
        let at = layers::centre_mm(bounds);
        let mut finding = finding.at(at[0], at[1]);
        finding.element_id = (!context.id.is_empty()).then(|| context.id.to_string());
        finding.layer = self.layer_name(context).map(str::to_owned);
        self.findings.push(finding);
    }

    /// The straight pieces of a tie line.
    fn tie_lines(&mut self, path: &usvg::Path, context: &Context<'_>) {
        let segments = segments(Self::source(path, context), &context.map);
        let Some(segments) = self.on_grid(&segments, path, context) else {
            return;
        };
        let (id, width_um) = (context.id.to_string(), context.ties.width_um);
        let draft = self.draft(context);
        for s in segments {
            if s[0] != s[1] {
                draft.tie_lines.push(TieLine {
                    id: id.clone(),
                    from: s[0],
                    to: s[1],
                    width_um,
                });
            }
        }
    }
}

/// Whether the clip is a plain box that leaves everything within `bounds`.
fn is_box_around(clip: &Regions, bounds: Bounds) -> bool {
    clip.len() == 1
        && clip.vertex_count() == 4
        && clip.bounds().is_some_and(|c| {
            c.to_regions().area_nm2() == clip.area_nm2()
                && c.min.x <= bounds.min.x
                && c.min.y <= bounds.min.y
                && c.max.x >= bounds.max.x
                && c.max.y >= bounds.max.y
        })
}
