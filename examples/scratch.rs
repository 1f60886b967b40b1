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
    let mut recipe = recipe::built_in("steel-25um").unwrap();
    let _ = &mut recipe;
    let sheet = sheet::Sheet::of(&art, &recipe).value;
    for layer in &art.layers {
        let st = stencil::hold_together(layer, &sheet.regions(), &recipe, stencil::IslandMode::Tie);
        let c = kerf::compensate(&st.value[0].openings, &recipe);
        let near = |p: Point| {
            ((f64::from(p.x) / 1e6 - x).abs() < r / 1e3)
                && ((f64::from(p.y) / 1e6 - y).abs() < r / 1e3)
        };
        let show = |name: &str, i: usize, ring: &[Point], closed: bool| {
            if !ring.iter().any(|p| near(*p)) {
                return;
            }
            println!("{name} {i} n={} closed {closed}", ring.len());
            let n = ring.len();
            for k in 0..n {
                if near(ring[k]) || near(ring[(k + 1) % n]) || near(ring[(k + n - 1) % n]) {
                    println!(
                        "   {k}: {:.3} {:.3}",
                        f64::from(ring[k].x) / 1e3 - x * 1e3,
                        f64::from(ring[k].y) / 1e3 - y * 1e3
                    );
                }
            }
        };
        for (i, ring) in layer.openings.rings().enumerate() {
            show("drawn", i, ring, true);
        }
        for (i, ring) in st.value[0].openings.rings().enumerate() {
            show("opening", i, ring, true);
        }
        for (i, c) in c.value.iter().enumerate() {
            show(
                &format!("{:?} parent {:?} op {:?}", c.kind, c.parent, c.opening),
                i,
                &c.points,
                c.closed,
            );
        }
        for f in st.findings.iter().chain(c.findings.iter()) {
            println!("{} {:?} {}", f.code, f.at_mm, f.message);
        }
    }
}
