use std::collections::BTreeMap;
use stepwell_tests::trials::{Noise, coil::KIND};
fn main() {
    let n: u64 = std::env::args().nth(1).map_or(2000, |s| s.parse().unwrap());
    let mut table: BTreeMap<&str, (u64, u64, u64, f64)> = BTreeMap::new();
    let mut reasons: BTreeMap<String, u64> = BTreeMap::new();
    let t = std::time::Instant::now();
    for seed in 0..n {
        let mut noise = Noise::new(seed);
        for case in (KIND.anywhere)(&mut noise) {
            let row = table.entry(case.finding).or_default();
            match case.measured {
                Ok(m) => {
                    row.0 += 1;
                    let inside = (m.value - case.truth).abs() <= m.expanded_uncertainty();
                    row.1 += u64::from(inside);
                    row.3 += m.standard_uncertainty() / case.truth;
                    if !inside && std::env::args().nth(2).as_deref() == Some(case.finding) {
                        println!(
                            "seed {seed} {} {:.5e} truth {:.5e} dev/u {:.2} rel {:.4} {:?}",
                            case.finding,
                            m.value,
                            case.truth,
                            (m.value - case.truth) / m.standard_uncertainty(),
                            m.value / case.truth - 1.0,
                            m.contributions
                                .iter()
                                .map(|c| format!("{}:{:.1e}", c.name, c.standard_uncertainty / case.truth))
                                .collect::<Vec<_>>()
                        );
                    }
                }
                Err(e) => {
                    row.2 += 1;
                    let mut s = format!("{}: {e}", case.finding);
                    s.truncate(90);
                    *reasons.entry(s).or_default() += 1;
                }
            }
        }
    }
    println!("{:?}", t.elapsed());
    for (id, (ok, inside, refused, u)) in table {
        println!(
            "{id}: {ok} measured, covered {:.2} %, refused {refused}, mean rel u {:.4}",
            100.0 * inside as f64 / ok as f64,
            u / ok as f64
        );
    }
    let mut r: Vec<_> = reasons.into_iter().collect();
    r.sort_by_key(|x| std::cmp::Reverse(x.1));
    for (s, k) in r.iter().take(12) {
        println!("  {k} {s}");
    }
    // Monte Carlo here
    let mut mc: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    for seed in 0..n {
        let mut noise = Noise::new(1_000_000 + seed);
        for c in (KIND.here)(&mut noise) {
            if let Ok(m) = c.measured {
                mc.entry(c.finding).or_default().push((m.value - c.truth, m.standard_uncertainty()));
            }
        }
    }
    for (id, rows) in mc {
        let k = rows.len() as f64;
        let rms = (rows.iter().map(|r| r.0 * r.0).sum::<f64>() / k).sqrt();
        let bias = rows.iter().map(|r| r.0).sum::<f64>() / k;
        let u = rows.iter().map(|r| r.1).sum::<f64>() / k;
        println!("here {id}: n {k} rms/u {:.3} bias/u {:.3}", rms / u, bias / u);
    }
    for b in (KIND.bounds)() {
        let mut sq = 0.0;
        let mut k = 0.0;
        for seed in 0..n {
            let mut noise = Noise::new(2_000_000 + seed);
            if let Ok(v) = (b.estimate)(&mut noise) {
                sq += (v - b.truth).powi(2);
                k += 1.0;
            }
        }
        println!(
            "bound {} [{}]: n {k} rms/bound {:.3} bound rel {:.2e}",
            b.finding,
            b.point,
            (sq / k as f64).sqrt() / b.bound_sd,
            b.bound_sd / b.truth
        );
    }
}
