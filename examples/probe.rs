use foilwright::artwork::*;
fn main() {
    let text = std::fs::read_to_string(std::env::args().nth(1).unwrap()).unwrap();
    for _ in 0..8 {
        let t = std::time::Instant::now();
        let a = read_str(&text, "x.svg", &ReadOptions::default()).unwrap();
        println!("{:?} {}", t.elapsed(), a.value.layers.len());
        std::mem::forget(a);
    }
}
