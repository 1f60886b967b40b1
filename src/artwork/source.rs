//! The file as it is written: encoding, nesting, page size, layers, and an id for everything that paints.

use super::outline::{self, Outline};
use super::size::{self, PageSize};
use super::{Refusal, TieSettings, references};
use crate::finding::{Finding, shortened};
use crate::{units, xml};
use rayon::prelude::*;
use roxmltree::{Document, Node};
use rustc_hash::{FxHashMap, FxHashSet};
use std::borrow::Cow;

/// Most letters in all texts together: laying them out takes a millisecond each.
const MOST_LETTERS: usize = 10_000;
/// Most signs in style sheets and style attributes, times the bytes of each: at each the library may count the lines
/// before it.
const MOST_STYLE: f64 = 4e9;
/// Most ways to try selectors on elements: one takes some 20 ns.
const MOST_TRIES: f64 = 3e8;

/// Bytes to text: UTF-8, or UTF-16 with its byte order mark.
pub(super) fn decode(bytes: &[u8]) -> Result<Cow<'_, str>, Refusal> {
    let broken =
        |what: &str| Refusal::new("not-svg", what, "save the drawing as plain SVG in UTF-8");
    if bytes.starts_with(&[0x1f, 0x8b]) {
        return Err(broken("the file is compressed"));
    }
    let wide = |read: fn([u8; 2]) -> u16| {
        let units = bytes[2..].chunks_exact(2).map(|b| read([b[0], b[1]]));
        char::decode_utf16(units).collect::<Result<String, _>>()
    };
    let text = match bytes {
        [0xff, 0xfe, ..] => wide(u16::from_le_bytes).ok().map(Cow::Owned),
        [0xfe, 0xff, ..] => wide(u16::from_be_bytes).ok().map(Cow::Owned),
        [0xef, 0xbb, 0xbf, rest @ ..] => std::str::from_utf8(rest).ok().map(Cow::Borrowed),
        _ => std::str::from_utf8(bytes).ok().map(Cow::Borrowed),
    };
    text.ok_or_else(|| broken("the file is not text in UTF-8"))
}

/// Refuses what would overrun a parser.
pub(super) fn check_bounds(text: &str) -> Result<(), Refusal> {
    xml::check(text)
        .map_err(|b| Refusal::new(b.code, format!("line {}: {}", b.line, b.what), b.hint))
}

/// Parses XML with bounds on what entities and nodes may cost.
pub(super) fn parse(text: &str) -> Result<Document<'_>, Refusal> {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        nodes_limit: 8_000_000,
        ..Default::default()
    };
    let doc = Document::parse_with_options(text, options).map_err(|e| {
        let hint = if text.contains("<svg") || text.contains(":svg") {
            "the file may be damaged or cut short: save the drawing again as plain SVG"
        } else {
            "save the drawing as plain SVG"
        };
        Refusal::new("not-svg", format!("is not a readable SVG file: {e}"), hint)
    })?;
    let root = doc.root_element();
    if root.tag_name().name() != "svg" {
        return Err(Refusal::new(
            "not-svg",
            format!(
                "is no SVG drawing: its root element is `{}`",
                root.tag_name().name()
            ),
            "save the drawing as plain SVG",
        ));
    }
    Ok(doc)
}

/// A layer as the drawing names it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LayerSpec {
    pub id: String,
    pub name: String,
    /// Starts with `_`: for people, not cut.
    pub notes: bool,
    /// Holds anything that could paint.
    pub drawn: bool,
}

/// What the drawing says about an element beside how it looks.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Said {
    pub label: Option<String>,
    pub tie: bool,
    pub keep_clear: bool,
    pub ties: TieSettings,
}

/// Ids and outlines of elements that look like another one.
type Alike = Vec<(String, Outline)>;

/// What the first look at the file tells.
pub(super) struct Survey {
    pub page: PageSize,
    pub layers: Vec<LayerSpec>,
    /// By id; only elements that say something.
    pub said: FxHashMap<String, Said>,
    pub findings: Vec<Finding>,
    pub refusals: Vec<Refusal>,
    /// By id; what was read here already and needs no second reading.
    pub outlines: FxHashMap<String, Outline>,
    /// By id of an element, ids and outlines of those that follow it and differ in nothing else: the text without
    /// them says how all of them look.
    pub alike: FxHashMap<String, Alike>,
    /// The text with ids added, and with arcs as curves or stand-ins for what was read already.
    pub text: Option<String>,
    /// The same with all tie lines and keep-clear areas made visible, if there are any.
    pub marked_text: Option<String>,
}

const DRAWN: [&str; 14] = [
    "g", "a", "use", "svg", "switch", "path", "rect", "circle", "ellipse", "line", "polyline",
    "polygon", "text", "image",
];

pub(super) fn is_drawn(node: &Node<'_, '_>) -> bool {
    node.is_element() && DRAWN.contains(&node.tag_name().name())
}

pub(super) fn label<'a>(node: &Node<'a, '_>) -> Option<&'a str> {
    node.attributes()
        .find(|a| a.name() == "label")
        .map(|a| a.value())
        .filter(|v| !v.trim().is_empty())
}

/// Refuses more text than a stencil can hold.
fn check_letters(doc: &Document<'_>) -> Result<(), Refusal> {
    let letters: usize = doc
        .descendants()
        .filter(|n| n.tag_name().name() == "text")
        .flat_map(|n| n.descendants())
        .filter_map(|n| if n.is_text() { n.text() } else { None })
        .map(str::len)
        .sum();
    if letters > MOST_LETTERS {
        return Err(Refusal::new(
            "too-much-text",
            format!("holds {letters} letters of text, more than the {MOST_LETTERS} read here"),
            "cut less text, or turn it into paths in the drawing program",
        ));
    }
    Ok(())
}

/// Refuses styles that the SVG library reads in more than linear time: long ones, and selectors of many steps, of
/// which it tries all ways up the tree.
fn check_styles(doc: &Document<'_>) -> Result<(), Refusal> {
    let hint =
        "write the styles as attributes of the elements (fill=\"...\"), or save as plain SVG";
    let sheets: Vec<&str> = doc
        .descendants()
        .filter(|n| n.is_element() && n.tag_name().name() == "style")
        .filter_map(|n| n.text())
        .collect();
    let own = doc.descendants().filter_map(|n| n.attribute("style"));
    let cost: f64 = sheets.iter().copied().chain(own).map(style_cost).sum();
    if cost > MOST_STYLE {
        return Err(Refusal::new(
            "too-much-style",
            "its style sheets or style attributes are longer than can be read here (some 20000 settings in one)",
            hint,
        ));
    }
    let steps: Vec<usize> = sheets.iter().copied().flat_map(selector_steps).collect();
    if steps.is_empty() {
        return Ok(());
    }
    // How many elements there are at each depth, and in how many ways a chain of steps may lie above one.
    let mut at_depth = vec![0.0; xml::DEEPEST];
    for node in doc.descendants().filter(Node::is_element) {
        let depth = node.ancestors().take(xml::DEEPEST).count() - 1;
        at_depth[depth] += 1.0;
    }
    let ways = |depth: usize, above: usize| -> f64 {
        (0..above).fold(1.0, |n, k| {
            n * depth.saturating_sub(k) as f64 / (k + 1) as f64
        })
    };
    let mut of_steps: FxHashMap<usize, f64> = FxHashMap::default();
    let tries: f64 = (steps.iter())
        .map(|&steps| {
            *of_steps.entry(steps).or_insert_with(|| {
                let at =
                    |(depth, n): (usize, &f64)| n * (0..steps).map(|k| ways(depth, k)).sum::<f64>();
                at_depth.iter().enumerate().map(at).sum()
            })
        })
        .sum();
    if tries > MOST_TRIES {
        return Err(Refusal::new(
            "too-much-style",
            format!(
                "its style sheets have {} selectors, which fit its nested elements in too many ways to try",
                steps.len()
            ),
            hint,
        ));
    }
    Ok(())
}

fn style_cost(css: &str) -> f64 {
    let plain = |b: &u8| b.is_ascii_alphanumeric() || b" \t\r\n-_.#,%".contains(b);
    css.len() as f64 * css.bytes().filter(|b| !plain(b)).count() as f64
}

/// The number of elements that each selector of a style sheet names.
fn selector_steps(css: &str) -> impl Iterator<Item = usize> {
    css.split('}')
        .filter_map(|rule| rule.split_once('{'))
        .flat_map(|(selectors, _)| selectors.split(','))
        .map(|selector| {
            let parts = selector.split(|c: char| c.is_whitespace() || c == '>' || c == '+');
            parts.filter(|p| !p.is_empty()).count()
        })
}

/// Looks at the whole document once; `join` lets elements that look alike stand for each other.
pub(super) fn survey(
    doc: &Document<'_>,
    width_mm: Option<f64>,
    join: bool,
) -> Result<Survey, Refusal> {
    check_letters(doc)?;
    check_styles(doc)?;
    let root = doc.root_element();
    let view_box = root.attribute("viewBox").and_then(view_box);
    let (page, in_vain) = size::page_size(
        root.attribute("width"),
        root.attribute("height"),
        view_box,
        width_mm,
    )?;
    let mut survey = Survey {
        page,
        layers: Vec::new(),
        said: FxHashMap::default(),
        findings: Vec::new(),
        refusals: Vec::new(),
        outlines: FxHashMap::default(),
        alike: FxHashMap::default(),
        text: None,
        marked_text: None,
    };
    if in_vain {
        survey.findings.push(
            Finding::warning(
                "width-not-used",
                "the drawing has its own physical size: --width was not used",
            )
            .hint("leave --width out, or change the drawing's own size"),
        );
    }
    let ids = Ids::new(doc.input_text());
    find_layers(doc, &ids, &mut survey);
    name_elements(doc, &ids, join, &mut survey);
    references::check_references(doc, &ids, &mut survey);
    Ok(survey)
}

fn view_box(text: &str) -> Option<[f64; 4]> {
    let numbers: Vec<f64> = text
        .split(|c: char| c.is_whitespace() || c == ',')
        .filter(|s| !s.is_empty())
        .map(str::parse)
        .collect::<Result<_, _>>()
        .ok()?;
    numbers.try_into().ok()
}

/// The ids by which drawn elements are known: their own, or their row and column in the text.
pub(super) struct Ids {
    line_starts: Vec<usize>,
}

impl Ids {
    fn new(text: &str) -> Ids {
        let after_breaks = text.match_indices('\n').map(|(i, _)| i + 1);
        Ids {
            line_starts: std::iter::once(0).chain(after_breaks).collect(),
        }
    }
    pub(super) fn of<'a>(&self, node: &Node<'a, '_>) -> Cow<'a, str> {
        if let Some(own) = own_id(node) {
            return Cow::Borrowed(own);
        }
        let start = node.range().start;
        let row = self.line_starts.partition_point(|&s| s <= start);
        Cow::Owned(format!("{row}:{}", start - self.line_starts[row - 1] + 1))
    }
}

fn own_id<'a>(node: &Node<'a, '_>) -> Option<&'a str> {
    node.attribute("id").filter(|id| !id.is_empty())
}

/// Sees to it that every drawn element can be known by its id: what has none gets its row and column written into
/// the text. Documents with entities keep their text, since positions in it mean nothing.
fn name_elements(doc: &Document<'_>, ids: &Ids, join: bool, survey: &mut Survey) {
    let text = doc.input_text();
    let fixed = text.contains("<!ENTITY");
    let mut edits: Vec<outline::Edit> = Vec::new();
    // Where nothing refers to anything, each element is drawn once and can be known by its id.
    let direct = !fixed && !text.contains("href") && !text.contains("url(");
    let shared = if direct {
        shared_ids(doc)
    } else {
        FxHashSet::default()
    };
    let mut drawn: Vec<Drawn<'_, '_>> = Vec::new();
    // Where an element's name matters to the drawing, it stays.
    let renamable = !fixed
        && !direct
        && !text.contains("<marker")
        && !doc
            .descendants()
            .filter(|n| n.has_tag_name("style") || n.tag_name().name() == "style")
            .filter_map(|n| n.text())
            .any(|css| {
                ["circle", "ellipse", "rect"]
                    .iter()
                    .any(|t| css.contains(t))
            });
    let noted = if fixed {
        Vec::new()
    } else {
        noted_texts(doc, ids, survey)
    };
    edits.extend(noted.iter().map(|range| (range.clone(), String::new())));
    for node in doc.descendants().filter(is_drawn) {
        let start = node.range().start;
        let after = noted.partition_point(|range| range.end <= start);
        if noted.get(after).is_some_and(|range| range.contains(&start)) {
            continue;
        }
        let tag_end = tag_end(text, start);
        if !fixed && !direct && (renamable || node.tag_name().name() == "path") {
            outline::edits(&node, start + 1..tag_end, text, &mut edits);
        }
        let id = ids.of(&node);
        let nameless = !fixed && !node.has_attribute("id") && node != doc.root_element();
        let insert_at = nameless.then_some(tag_end);
        if let Some(said) = what_is_said(&node, &id, survey) {
            survey.said.insert(id.clone().into_owned(), said);
        }
        let own = own_id(&node).is_some();
        if direct && !shared.contains(&*id) && (own || insert_at.is_some()) {
            drawn.push(Drawn {
                node,
                id: id.into_owned(),
                insert_at,
            });
        } else if let Some(at) = insert_at {
            edits.push((at..at, format!(" id=\"{id}\"")));
        }
    }
    let marks = survey.said.values().any(|s| s.tie || s.keep_clear);
    let join = join && !marks && !text.contains("<style");
    read_outlines(drawn, join, survey, &mut edits);
    if !edits.is_empty() {
        survey.text = Some(edited(text, &mut edits));
    }
    if !fixed && marks {
        show_marks(doc, ids, survey, &mut edits);
        survey.marked_text = Some(edited(text, &mut edits));
    }
}

/// An element that may be read here, its id, and where the id must be written.
struct Drawn<'a, 'd> {
    node: Node<'a, 'd>,
    id: String,
    insert_at: Option<usize>,
}

/// Reads what can be read, on all threads, and leaves stand-ins in the text. Elements that differ from the one
/// before in id and outline only leave nothing, if `join`.
fn read_outlines(
    drawn: Vec<Drawn<'_, '_>>,
    join: bool,
    survey: &mut Survey,
    edits: &mut Vec<outline::Edit>,
) {
    let outlines: Vec<Option<Outline>> = drawn
        .par_iter()
        .with_min_len(64)
        .map(|d| outline::of(&d.node))
        .collect();
    // The element that the ones after it may join, its id, and those that did.
    let mut first: Option<(Node<'_, '_>, String, Alike)> = None;
    let keep = |first: Option<(_, String, Alike)>, survey: &mut Survey| {
        if let Some((_, id, others)) = first.filter(|f| !f.2.is_empty()) {
            survey.alike.insert(id, others);
        }
    };
    for (
        Drawn {
            node,
            id,
            insert_at,
        },
        outline,
    ) in drawn.into_iter().zip(outlines)
    {
        let Some(outline) = outline else {
            keep(first.take(), survey);
            edits.extend(insert_at.map(|at| (at..at, format!(" id=\"{id}\""))));
            continue;
        };
        if let Some((like, _, others)) = &mut first
            && join
            && look_alike(like, &node)
        {
            edits.push((node.range(), String::new()));
            others.push((id, outline));
            continue;
        }
        keep(first.take(), survey);
        edits.extend(insert_at.map(|at| (at..at, format!(" id=\"{id}\""))));
        edits.extend(outline::stand_in(&node, &outline));
        first = Some((node, id.clone(), Vec::new()));
        survey.outlines.insert(id, outline);
    }
    keep(first, survey);
}

/// Whether two paths or polygons in one group are painted alike: all their attributes but id and outline are
/// the same.
fn look_alike(a: &Node<'_, '_>, b: &Node<'_, '_>) -> bool {
    matches!(a.tag_name().name(), "path" | "polygon" | "polyline")
        && a.tag_name() == b.tag_name()
        && a.parent() == b.parent()
        && !a.has_children()
        && !b.has_children()
        && rest(a).eq(rest(b))
}

/// Attributes other than id and outline.
fn rest<'n>(node: &'n Node<'_, '_>) -> impl Iterator<Item = (Option<&'n str>, &'n str, &'n str)> {
    node.attributes()
        .filter(|a| !matches!(a.name(), "id" | "d" | "points"))
        .map(|a| (a.namespace(), a.name(), a.value()))
}

/// Ids that more than one element bears, or that could be taken for a made one.
fn shared_ids<'a>(doc: &'a Document<'_>) -> FxHashSet<&'a str> {
    let (mut seen, mut shared) = (FxHashSet::default(), FxHashSet::default());
    for id in doc.descendants().filter_map(|n| n.attribute("id")) {
        if !seen.insert(id) || id.contains(':') {
            shared.insert(id);
        }
    }
    shared
}

fn edited(text: &str, edits: &mut [outline::Edit]) -> String {
    edits.sort_by_key(|(range, _)| (range.start, range.end));
    let added: usize = edits.iter().map(|e| e.1.len()).sum();
    let mut out = String::with_capacity(text.len() + added);
    let mut done = 0;
    for (range, insert) in edits.iter() {
        out.push_str(&text[done..range.start]);
        out.push_str(insert);
        done = range.end;
    }
    out.push_str(&text[done..]);
    out
}

/// The ranges of texts in layers for notes, in their order. They are not read, so that their fonts need not be at
/// hand. Those that something may refer to stay.
fn noted_texts(doc: &Document<'_>, ids: &Ids, survey: &Survey) -> Vec<std::ops::Range<usize>> {
    let text = doc.input_text();
    let notes: FxHashSet<&str> = (survey.layers.iter())
        .filter(|l| l.notes)
        .map(|l| l.id.as_str())
        .collect();
    let is_notes = |n: &Node<'_, '_>| notes.contains(&*ids.of(n));
    if notes.is_empty() {
        return Vec::new();
    }
    let referred = |n: Node<'_, '_>| own_id(&n).is_some_and(|id| text.contains(&format!("#{id}")));
    doc.descendants()
        .filter(|n| n.is_element() && n.tag_name().name() == "text")
        .filter(|n| n.ancestors().any(|a| is_notes(&a)))
        .filter(|n| !n.ancestors().chain(n.descendants()).any(referred))
        .map(|n| n.range())
        .collect()
}

/// Gives everything that marks a tie line or a keep-clear area a paint, so that it is resolved although the
/// drawing shows nothing of it.
fn show_marks(doc: &Document<'_>, ids: &Ids, survey: &Survey, edits: &mut Vec<outline::Edit>) {
    let text = doc.input_text();
    let mut shown = rustc_hash::FxHashSet::default();
    for node in doc.descendants().filter(is_drawn) {
        let Some(said) = survey.said.get(&*ids.of(&node)) else {
            continue;
        };
        if !(said.tie || said.keep_clear) {
            continue;
        }
        for inner in node.descendants().filter(is_drawn) {
            if !shown.insert(inner.id()) {
                continue;
            }
            let paint = if said.tie {
                ";stroke:#000;stroke-opacity:1;stroke-width:1;opacity:1;visibility:visible"
            } else {
                ";fill:#000;fill-opacity:1;opacity:1;visibility:visible"
            };
            if let Some(style) = inner.attribute_node("style") {
                let end = style.range_value().end;
                edits.push((end..end, paint.to_owned()));
            } else {
                let start = inner.range().start;
                let end = tag_end(text, start);
                edits.push((end..end, format!(" style=\"{}\"", &paint[1..])));
            }
        }
    }
}

/// The end of the element name in the start tag that begins at `start`.
fn tag_end(text: &str, start: usize) -> usize {
    start
        + text[start..]
            .find(|c: char| c.is_whitespace() || c == '/' || c == '>')
            .unwrap_or(1)
}

fn what_is_said(node: &Node<'_, '_>, id: &str, survey: &mut Survey) -> Option<Said> {
    let mut said = Said {
        label: label(node).map(str::to_owned),
        ..Said::default()
    };
    let matters = |name: &str| matches!(name, "class" | "keep-clear") || name.starts_with("data-");
    for attribute in node.attributes().filter(|a| matters(a.name())) {
        let value = attribute.value().trim();
        let bad = |why: String| {
            Refusal::new(
                "bad-tie-setting",
                format!("{}=\"{}\": {why}", attribute.name(), shortened(value)),
                "write a length with its unit, or a whole number for data-tie-count",
            )
            .element(id)
        };
        let length = |survey: &mut Survey| match units::parse_length_um(value) {
            Ok(um) if um >= 0.0 => Some(um),
            Ok(_) => {
                survey.refusals.push(bad("is negative".to_owned()));
                None
            }
            Err(e) => {
                survey.refusals.push(bad(e.to_string()));
                None
            }
        };
        match attribute.name() {
            "class" => {
                said.tie |= value.split_whitespace().any(|c| c == "tie");
                said.keep_clear |= value.split_whitespace().any(|c| c == "keep-clear");
            }
            "keep-clear" | "data-keep-clear" => {
                said.keep_clear |= !value.eq_ignore_ascii_case("false");
            }
            "data-tie-width" => said.ties.width_um = length(survey),
            "data-tie-span" => said.ties.span_mm = length(survey).map(|um| um / 1e3),
            "data-tie-count" => match value.parse::<u32>() {
                Ok(n) if n <= 1000 => said.ties.count = Some(n),
                _ => survey
                    .refusals
                    .push(bad("is no whole number up to 1000".to_owned())),
            },
            _ => {}
        }
    }
    said.tie |= said.label.as_deref() == Some("_ties") && node.tag_name().name() == "g";
    (said != Said::default()).then_some(said)
}

/// Decides which groups are the layers.
fn find_layers(doc: &Document<'_>, ids: &Ids, survey: &mut Survey) {
    let root = doc.root_element();
    let groups = |parent: &Node<'_, '_>| -> Vec<roxmltree::NodeId> {
        parent
            .children()
            .filter(|n| n.is_element() && n.tag_name().name() == "g")
            .map(|n| n.id())
            .collect()
    };
    let node = |id| doc.get_node(id).expect("an id of this document");
    let chosen = |parent: &Node<'_, '_>| -> Vec<roxmltree::NodeId> {
        let all = groups(parent);
        let labelled: Vec<_> = all
            .iter()
            .copied()
            .filter(|&g| label(&node(g)).is_some())
            .collect();
        if labelled.is_empty() {
            all.into_iter()
                .filter(|&g| node(g).attribute("id").is_some_and(|i| !i.is_empty()))
                .collect()
        } else {
            labelled
        }
    };
    let mut layers = chosen(&root);
    let top: Vec<Node<'_, '_>> = root.children().filter(is_drawn).collect();
    if let [wrapper] = top.as_slice()
        && wrapper.tag_name().name() == "g"
    {
        let inner = chosen(wrapper);
        let drawn = wrapper.children().filter(is_drawn).count();
        let labelled_inside = inner.iter().any(|&g| label(&node(g)).is_some());
        let clear = match (label(wrapper).is_some(), labelled_inside) {
            (true, _) => inner.len() > 1 && inner.len() == drawn && labelled_inside,
            (false, true) => true,
            (false, false) => {
                !inner.is_empty()
                    && (wrapper.attribute("id").is_none()
                        || (inner.len() > 1 && inner.len() == drawn))
            }
        };
        if clear {
            survey.findings.push(
                Finding::warning(
                    "wrapper-group",
                    format!(
                        "all layers lie in one group: its {} groups are taken as the layers",
                        inner.len()
                    ),
                )
                .hint("ungroup it once so that every layer is a top-level group")
                .element(ids.of(wrapper)),
            );
            layers = inner;
        }
    }
    let mut names: FxHashMap<String, String> = FxHashMap::default();
    for id in layers {
        let group = node(id);
        let name = label(&group)
            .or_else(|| group.attribute("id"))
            .unwrap_or_default()
            .trim()
            .to_owned();
        let safe = safe_name(&name);
        if safe != name {
            survey.findings.push(
                Finding::note(
                    "layer-renamed",
                    format!(
                        "layer `{}` is called `{safe}`, so that files can bear its name",
                        shortened(&name)
                    ),
                )
                .layer(safe.clone()),
            );
        }
        if let Some(other) = names.get(&safe.to_lowercase()) {
            survey.refusals.push(
                Refusal::new(
                    "layer-names-collide",
                    format!(
                        "two layers are called `{}` as far as file names can tell",
                        other
                    ),
                    "give every layer a name of its own",
                )
                .element(&ids.of(&group)),
            );
        }
        names
            .entry(safe.to_lowercase())
            .or_insert_with(|| safe.clone());
        survey.layers.push(LayerSpec {
            id: ids.of(&group).into_owned(),
            notes: name.starts_with('_'),
            name: safe,
            drawn: group
                .descendants()
                .skip(1)
                .any(|n| is_drawn(&n) && n.tag_name().name() != "g"),
        });
    }
}

/// A name that every file system takes: letters, digits, `-`, `_` and inner dots.
fn safe_name(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars().take(80) {
        let keep = c.is_alphanumeric() || c == '_' || c == '.';
        if keep {
            out.push(c);
        } else if !out.ends_with('-') {
            out.push('-');
        }
    }
    let out = out.trim_matches(['-', '.']);
    if out.is_empty() { "layer" } else { out }.to_owned()
}
