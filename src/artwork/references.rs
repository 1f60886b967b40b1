//! What the SVG library drops without a word: HTML inside SVG, and references to nothing.

use super::Refusal;
use super::source::{Ids, Survey, is_drawn, label};
use crate::finding::Finding;
use roxmltree::{Document, Node};

/// Whether an element may paint where it stands: not inside a definition, not hidden by its own attributes.
fn is_live(node: &Node<'_, '_>) -> bool {
    const STORED: [&str; 9] = [
        "defs",
        "symbol",
        "clipPath",
        "mask",
        "pattern",
        "marker",
        "filter",
        "linearGradient",
        "radialGradient",
    ];
    node.ancestors().all(|n| {
        !STORED.contains(&n.tag_name().name())
            && n.attribute("display") != Some("none")
            && !n
                .attribute("style")
                .is_some_and(|s| s.replace(' ', "").contains("display:none"))
            && !label(&n).is_some_and(|l| l.starts_with('_'))
    })
}

/// What the SVG library drops without a word: HTML inside SVG, and references to nothing.
pub(super) fn check_references(doc: &Document<'_>, ids: &Ids, survey: &mut Survey) {
    let mut known: Option<rustc_hash::FxHashSet<&str>> = None;
    for node in doc.descendants().filter(Node::is_element) {
        let tag = node.tag_name().name();
        if tag == "foreignObject" && is_live(&node) {
            survey.refusals.push(
                Refusal::new(
                    "foreign-object",
                    "text or HTML in a foreignObject has no cut meaning",
                    "turn it into SVG text or paths",
                )
                .element(node.attribute("id").unwrap_or_default()),
            );
        }
        let references = node.attributes().filter_map(|a| {
            let value = a.value();
            match a.name() {
                "href" if tag == "use" => value.trim().strip_prefix('#').or(Some("")),
                "fill" | "stroke" | "clip-path" | "mask" | "filter" | "style" => value
                    .split_once("url(")
                    .and_then(|(_, rest)| rest.split_once(')'))
                    .map(|(inner, _)| inner.trim().trim_matches(['\'', '"']))
                    .and_then(|inner| inner.strip_prefix('#')),
                _ => None,
            }
        });
        for target in references {
            let known = known.get_or_insert_with(|| {
                doc.descendants()
                    .filter_map(|n| n.attribute("id"))
                    .collect()
            });
            if !known.contains(target) && is_live(&node) {
                let mut finding = Finding::warning(
                    "broken-reference",
                    if target.is_empty() {
                        "it refers to something outside the drawing, which is never loaded"
                            .to_owned()
                    } else {
                        format!("it refers to `{target}`, which the drawing does not have")
                    },
                )
                .hint("look whether the picture shows everything you drew");
                finding.element_id = if is_drawn(&node) {
                    Some(ids.of(&node).into_owned())
                } else {
                    node.attribute("id").map(str::to_owned)
                };
                survey.findings.push(finding);
            }
        }
    }
}
