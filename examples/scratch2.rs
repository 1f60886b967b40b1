// dumps drawn, openings, contours as svg crop: FILE x y half_um OUT
use foilwright::regions::Point;
use foilwright::*;
fn main() {
    let a: Vec<String> = std::env::args().collect();
    let (x, y, r): (f64, f64, f64) = (
        a[2].parse().unwrap(),
        a[3].parse().unwrap(),
        a[4].parse().unwrap(),
    );
    let art = artwork::read(
        std::path::Path::new(&a[1]),
        &artwork::ReadOptions::default(),
    )
    .unwrap()
    .value;
    let recipe = recipe::built_in("steel-25um").unwrap();
    let sheet = sheet::Sheet::of(&art, &recipe).value;
    let layer = &art.layers[0];
    let st = stencil::hold_together(layer, &sheet.regions(), &recipe, stencil::IslandMode::Tie);
    let c = kerf::compensate(&st.value[0].openings, &recipe);
    let path = |rings: &[Vec<Point>], closed: bool| {
        let mut s = String::new();
        for ring in rings {
            for (k, p) in ring.iter().enumerate() {
                s += &format!(
                    "{}{:.3} {:.3} ",
                    if k == 0 { "M" } else { "L" },
                    f64::from(p.x) / 1e3 - x * 1e3,
                    f64::from(p.y) / 1e3 - y * 1e3
                );
            }
            if closed {
                s += "Z";
            }
        }
        s
    };
    let rs = |r: &regions::Regions| r.rings().map(|x| x.to_vec()).collect::<Vec<_>>();
    let mut out = format!(
        "<svg xmlns='http://www.w3.org/2000/svg' width='900' height='900' viewBox='{} {} {} {}'><rect x='-9999' y='-9999' width='19999' height='19999' fill='white'/>",
        -r,
        -r,
        2.0 * r,
        2.0 * r
    );
    out += &format!(
        "<path d='{}' fill='#ccc' fill-rule='evenodd' stroke='black' stroke-width='{}'/>",
        path(&rs(&layer.openings), true),
        r / 300.0
    );
    out += &format!(
        "<path d='{}' fill='#9cf' fill-rule='evenodd' stroke='blue' stroke-width='{}'/>",
        path(&rs(&st.value[0].openings), true),
        r / 400.0
    );
    for k in &c.value {
        out += &format!(
            "<path d='{}' fill='none' stroke='{}' stroke-opacity='.3' stroke-linejoin='round' stroke-linecap='round' stroke-width='8'/><path d='{0}' fill='none' stroke='{1}' stroke-width='{}'/>",
            path(&[k.points.clone()], k.closed),
            match k.kind {
                kerf::CutKind::Opening => "green",
                kerf::CutKind::Line => "red",
                _ => "orange",
            },
            r / 300.0
        );
    }
    out += "</svg>";
    let tree = resvg::usvg::Tree::from_str(&out, &resvg::usvg::Options::default()).unwrap();
    let mut pm = resvg::tiny_skia::Pixmap::new(900, 900).unwrap();
    resvg::render(
        &tree,
        resvg::tiny_skia::Transform::default(),
        &mut pm.as_mut(),
    );
    pm.save_png(&a[5]).unwrap();
}
