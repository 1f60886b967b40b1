//! Slot pictures drawn here by a renderer of their own: every pixel is the mean of 3 x 3 point samples of
//! a blurred slot, with bridges, ramp and noise.

use super::Random;
use foilwright::kerf::micrograph::{Grey, PictureError, Slot, measure};
use image::{GrayImage, ImageFormat, Luma};
use std::io::Cursor;

struct Scene {
    side: u32,
    width: f64,
    blur: f64,
    /// Contrast over noise.
    snr: f64,
    /// Direction of the slot against the x axis, radians.
    angle: f64,
    ramp: [f64; 2],
    dark: bool,
    /// Middle along the slot and length.
    bridges: Vec<[f64; 2]>,
}

/// Integral of the unit Gaussian by a table, so that nothing is shared with the program.
fn cumulative(z: f64) -> f64 {
    // Zelen & Severo (1964), Abramowitz & Stegun 26.2.17: error below 7.5e-8.
    let x = z.abs();
    let t = 1.0 / (1.0 + 0.231_641_9 * x);
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt() * poly;
    if z > 0.0 { 1.0 - tail } else { tail }
}

impl Scene {
    fn random(random: &mut Random) -> Scene {
        let width = 3.0 + 57.0 * random.uniform().powi(2);
        let side = 176;
        let mut bridges: Vec<[f64; 2]> = Vec::new();
        for _ in 0..(random.uniform() * 4.0) as usize {
            let length = 2.3 + 8.0 * random.uniform();
            let at = (random.uniform() - 0.5) * 0.6 * f64::from(side);
            if bridges.iter().all(|b| (b[0] - at).abs() > 30.0) {
                bridges.push([at, length]);
            }
        }
        Scene {
            side,
            width,
            blur: 0.8 + 1.0 * random.uniform(),
            snr: 5.0 + 35.0 * random.uniform(),
            angle: std::f64::consts::PI * random.uniform(),
            ramp: [
                0.15 * (random.uniform() - 0.5),
                0.15 * (random.uniform() - 0.5),
            ],
            dark: random.uniform() < 0.5,
            bridges,
        }
    }
    fn draw(&self, random: &mut Random) -> GrayImage {
        let (c, s) = (self.angle.cos(), self.angle.sin());
        let middle = f64::from(self.side) / 2.0;
        let contrast = 0.4;
        let sub = 3;
        GrayImage::from_fn(self.side, self.side, |px, py| {
            let mut sum = 0.0;
            for i in 0..sub {
                for j in 0..sub {
                    let x = f64::from(px) + (f64::from(i) + 0.5) / f64::from(sub) - 0.5 - middle;
                    let y = f64::from(py) + (f64::from(j) + 0.5) / f64::from(sub) - 0.5 - middle;
                    let (along, across) = (x * c + y * s, -x * s + y * c + 3.7);
                    let edge = |v: f64| cumulative(v / self.blur);
                    let slot = edge(across + self.width / 2.0) - edge(across - self.width / 2.0);
                    let metal: f64 = self
                        .bridges
                        .iter()
                        .map(|b| edge(along - b[0] + b[1] / 2.0) - edge(along - b[0] - b[1] / 2.0))
                        .sum();
                    sum += slot * (1.0 - metal.min(1.0));
                }
            }
            let open = sum / f64::from(sub * sub);
            let n = f64::from(self.side);
            let ramp =
                self.ramp[0] * (f64::from(px) / n - 0.5) + self.ramp[1] * (f64::from(py) / n - 0.5);
            let foil = if self.dark { 0.7 } else { 0.3 };
            let sign = if self.dark { -1.0 } else { 1.0 };
            let v = foil + ramp + sign * contrast * open + contrast / self.snr * random.normal();
            Luma([(v * 255.0).round().clamp(0.0, 255.0) as u8])
        })
    }
}

fn png(image: &GrayImage) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    image.write_to(&mut out, ImageFormat::Png).unwrap();
    out.into_inner()
}
fn read(image: &GrayImage) -> Result<Slot, PictureError> {
    measure(&Grey::decode(&png(image))?)
}

#[test]
fn two_hundred_slots() {
    let mut random = Random::new(42);
    let (mut errors, mut missed, mut invented, mut drawn, mut failed) = (Vec::new(), 0, 0, 0, 0);
    for run in 0..220 {
        let scene = Scene::random(&mut random);
        let slot = match read(&scene.draw(&mut random)) {
            Ok(slot) => slot,
            Err(e) => {
                println!(
                    "{run}: width {:.2} blur {:.2} snr {:.1}: {e}",
                    scene.width, scene.blur, scene.snr
                );
                failed += 1;
                continue;
            }
        };
        errors.push((slot.width_median_px - scene.width).abs());
        drawn += scene.bridges.len();
        let (c, s) = (scene.angle.cos(), scene.angle.sin());
        let middle = f64::from(scene.side) / 2.0;
        let places: Vec<f64> = slot
            .bridges
            .iter()
            .map(|b| (b.x_px - middle) * c + (b.y_px - middle) * s)
            .collect();
        let miss = scene
            .bridges
            .iter()
            .filter(|b| !places.iter().any(|p| (p - b[0]).abs() < 4.0 + b[1] / 2.0))
            .count();
        let extra = places
            .iter()
            .filter(|p| {
                !scene
                    .bridges
                    .iter()
                    .any(|b| (*p - b[0]).abs() < 4.0 + b[1] / 2.0)
            })
            .count();
        if miss + extra > 0 || errors[errors.len() - 1] > 1.0 {
            println!(
                "{run}: width {:.2} got {:.2} blur {:.2} snr {:.1} bridges {:?} got {places:?}",
                scene.width, slot.width_median_px, scene.blur, scene.snr, scene.bridges
            );
        }
        missed += miss;
        invented += extra;
    }
    errors.sort_by(f64::total_cmp);
    println!(
        "median error {:.3} px, 95 % {:.3} px, {drawn} bridges, {missed} missed, {invented} invented, {failed} failed",
        errors[errors.len() / 2],
        errors[errors.len() * 95 / 100]
    );
    assert!(errors[errors.len() / 2] < 0.15);
    assert_eq!((missed, invented, failed), (0, 0, 0));
}

#[test]
fn pictures_without_a_slot_are_refused() {
    let mut random = Random::new(3);
    let noise = |random: &mut Random, f: &dyn Fn(u32, u32) -> f64| {
        GrayImage::from_fn(200, 160, |x, y| {
            Luma([(f(x, y) + 8.0 * random.normal()).clamp(0.0, 255.0) as u8])
        })
    };
    type Brightness<'a> = &'a dyn Fn(u32, u32) -> f64;
    let scenes: [(&str, Brightness<'_>); 4] = [
        ("noise", &|_, _| 128.0),
        ("ramp", &|x, y| {
            60.0 + 0.4 * f64::from(x) + 0.3 * f64::from(y)
        }),
        ("one edge", &|x, _| if x < 90 { 60.0 } else { 190.0 }),
        ("disc", &|x, y| {
            if (f64::from(x) - 100.0).hypot(f64::from(y) - 80.0) < 30.0 {
                200.0
            } else {
                60.0
            }
        }),
    ];
    for (name, scene) in scenes {
        for _ in 0..5 {
            let got = read(&noise(&mut random, scene));
            assert!(
                matches!(got, Err(PictureError::NoSlot(_))),
                "{name}: {got:?}"
            );
        }
    }
    let flat = GrayImage::from_pixel(100, 100, Luma([128]));
    assert!(matches!(read(&flat), Err(PictureError::NoSlot(_))));
}

#[test]
fn odd_files_are_refused() {
    let small = GrayImage::from_pixel(1, 1, Luma([0]));
    assert!(matches!(
        Grey::decode(&png(&small)),
        Err(PictureError::TooSmall {
            width: 1,
            height: 1
        })
    ));
    // Only the header is needed to refuse a picture of 20,000 x 20,000.
    let mut large = Vec::new();
    {
        let mut encoder = png::Encoder::new(&mut large, 20_000, 20_000);
        encoder.set_color(png::ColorType::Grayscale);
        let mut writer = encoder.write_header().unwrap();
        let _ = writer.write_chunk(png::chunk::IDAT, &[]);
    }
    assert!(matches!(
        Grey::decode(&large),
        Err(PictureError::TooLarge { width: 20_000, .. })
    ));
    assert!(matches!(
        Grey::decode(b"feature,drawn_um\n"),
        Err(PictureError::NotAPicture(_))
    ));
    let whole = png(&GrayImage::from_pixel(64, 64, Luma([9])));
    assert!(matches!(
        Grey::decode(&whole[..whole.len() / 2]),
        Err(PictureError::NotAPicture(_))
    ));
}

/// A plate of three slots no wider than the kerf is cut for real; pictures of a place on each slot, turned
/// any way, name the path there. Pictures of another place, or of the right place turned wrongly, warn.
#[test]
fn a_bridge_names_its_path() {
    let folder = tempfile::tempdir().unwrap();
    let drawing = folder.path().join("slots.svg");
    std::fs::write(
        &drawing,
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20"><g id="hot" fill="none" stroke="#000" stroke-width="0.007">
           <path id="s1" d="M3 4h6"/><path id="s2" d="M12 3l4 5"/><path id="s3" d="M5 15l7 -2.5"/></g></svg>"##,
    )
    .unwrap();
    let foilwright = || assert_cmd::Command::new(env!("CARGO_BIN_EXE_foilwright"));
    let out = folder.path().join("out");
    foilwright()
        .args([
            "cut",
            "--as",
            "plan",
            "--no-pictures",
            "--order",
            "travel",
            "--out",
        ])
        .arg(&out)
        .arg(&drawing)
        .assert()
        .success();
    let file = out.join("slots-hot.plan.json");
    let plan: serde_json::Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
    let mut random = Random::new(9);
    let um_per_px = 0.42;
    let run = |at: [f64; 2], turned_deg: f64, photo: &std::path::Path| -> serde_json::Value {
        let done = foilwright()
            .args(["fit", "--json", "--scale", "0.42um/px", "--picture"])
            .arg(photo)
            .args(["--at", &format!("{}mm,{}mm", at[0], at[1])])
            .args(["--turned", &turned_deg.to_string(), "--plan"])
            .arg(&file)
            .arg("--out")
            .arg(&out)
            .assert()
            .success();
        serde_json::from_slice(&done.get_output().stdout).unwrap()
    };
    for (number, path) in plan["paths"].as_array().unwrap().iter().enumerate() {
        let end = |i: usize| [0, 1].map(|k| path["points"][i][k].as_f64().unwrap());
        let (a, b) = (end(0), end(path["points"].as_array().unwrap().len() - 1));
        let t = 0.3 + 0.4 * random.uniform();
        let at = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
        let direction = (b[1] - a[1]).atan2(b[0] - a[0]);
        let turned_deg = 360.0 * random.uniform() - 180.0;
        let scene = Scene {
            side: 176,
            width: 17.0,
            blur: 1.2,
            snr: 25.0,
            // Pixels count downwards, so angles change sign.
            angle: -(direction + turned_deg.to_radians()),
            ramp: [0.05, -0.03],
            dark: false,
            bridges: vec![[0.0, 6.0]],
        };
        let photo = folder.path().join("photo.png");
        std::fs::write(&photo, png(&scene.draw(&mut random))).unwrap();
        // The scene draws its slot 3.7 px beside the middle, across it.
        let beside = 3.7 * um_per_px * 1e-3;
        let [x, y] = [beside * scene.angle.sin(), beside * scene.angle.cos()];
        let (s, c) = turned_deg.to_radians().sin_cos();
        let centre = [at[0] - (c * x + s * y), at[1] - (-s * x + c * y)];
        let said = run(centre, turned_deg, &photo);
        assert_eq!(said["recut_paths"], serde_json::json!([number]), "{said}");
        let bridge = &said["bridges_on_paths"][0];
        assert!(bridge["distance_um"].as_f64().unwrap() < 0.5, "{bridge}");
        for (i, k) in at.iter().zip(0..) {
            let got = bridge["at_mm"][k as usize].as_f64().unwrap();
            assert!((got - i).abs() < 1e-3, "{bridge}");
        }
        let elsewhere = run([centre[0] + 0.3, centre[1] + 0.3], turned_deg, &photo);
        assert_eq!(elsewhere["recut_paths"], serde_json::json!([]));
        assert!(elsewhere["bridges_on_paths"][0]["warning"].is_string());
    }
}
