use foilwright::artwork::{ReadOptions, read};
use foilwright::job::{Label, place, writer};
use foilwright::order::OrderMode;
use foilwright::recipe::Recipe;

#[test]
#[ignore]
fn slow_write_demo_jobs() {
    let art = read(
        std::path::Path::new("demo-data/thermopile-sensor.svg"),
        &ReadOptions::default(),
    )
    .unwrap()
    .value;
    let recipe = Recipe::load("steel-25um").unwrap();
    let sheet = [0.0, 0.0, art.size_mm[0], art.size_mm[1]];
    for layer in &art.layers {
        let contours = foilwright::kerf::compensate(&layer.openings, &recipe).value;
        let sequence =
            foilwright::order::arrange(&contours, &recipe, OrderMode::Artwork, sheet).value;
        let label = Label {
            artwork: "thermopile-sensor.svg",
            layer: &layer.name,
            order: OrderMode::Artwork,
            forced: false,
        };
        let plan = place(&sequence, sheet, &recipe, &label).unwrap();
        for w in ["rs274", "dxf", "svg", "plan"] {
            let w = writer(w).unwrap();
            std::fs::create_dir_all("/tmp/pj").unwrap();
            std::fs::write(
                format!("/tmp/pj/t-{}.{}", layer.name, w.extension()),
                w.write(&plan, &recipe).unwrap(),
            )
            .unwrap();
        }
    }
}
