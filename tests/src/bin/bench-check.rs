//! `cargo bench-check`: runs the benchmarks and says which have become slower than the baseline that is committed.
//!
//! Medians of two computers do not compare; so each is told as a multiple of a yardstick measured in the same run: SHA-256 of
//! 1 MiB, and for what waits on the disk one small synced write beside it. The benchmark library (divan 0.1) has no machine-readable
//! output, so its printed table is read.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program's words")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

use clap::Parser;

/// The packages with benchmarks, and their names.
const BENCHES: [(&str, &str); 3] = [("shared", "meter"), ("sync-core", "record"), ("sync-core", "book")];
/// The benchmark that every other of the same run is told in.
const YARDSTICK: &str = "yardstick";
/// What waits on the disk reckons as well, and is told in one of each together: the sum holds where the disk is slow for a while.
const YARDSTICK_DISK: &str = "yardstick_disk";
/// The end of the name of what waits on the disk.
const ON_DISK: &str = "_on_disk";
/// Runs of a benchmark, the best of which counts.
const ATTEMPTS: usize = 3;

/// Runs the benchmarks and compares each with the baseline, as a multiple of a yardstick of the same run.
#[derive(Debug, Parser)]
#[command(name = "bench-check", after_help = "Exit codes: 0 as fast as the baseline, 1 slower or failed, 2 wrong options.")]
struct Arguments {
    /// Only these: meter, record, book
    benches: Vec<String>,
    /// Write the best of three runs as the new baseline
    #[arg(long)]
    renew: bool,
    /// So many times the baseline's ratio is slower
    #[arg(long, default_value_t = 1.5)]
    most: f64,
    /// The baseline [default: sync-core/benches/baseline.tsv]
    #[arg(long)]
    baseline: Option<PathBuf>,
}

/// A benchmark: its median in ns, and that as a multiple of its yardstick's.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Measured {
    median_ns: f64,
    ratio: f64,
}

/// Benchmarks by `package/bench/name`.
type Measurements = BTreeMap<String, Measured>;

fn main() -> ExitCode {
    match check(&Arguments::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("bench-check: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Whether all is as fast as the baseline.
fn check(arguments: &Arguments) -> Result<bool, String> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let path = arguments.baseline.clone().unwrap_or_else(|| top.join("sync-core/benches/baseline.tsv"));
    let chosen: Vec<(&str, &str)> =
        BENCHES.into_iter().filter(|(_, bench)| arguments.benches.is_empty() || arguments.benches.iter().any(|b| b == bench)).collect();
    if chosen.is_empty() {
        return Err(format!("none of these is there; there are {}", BENCHES.map(|(_, bench)| bench).join(", ")));
    }
    let of_a_chosen = |name: &str| chosen.iter().any(|(package, bench)| name.starts_with(&format!("{package}/{bench}/")));
    let (mut baseline, mut others) = (Measurements::new(), Measurements::new());
    if !arguments.renew || path.exists() {
        let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
        (baseline, others) = read(&text)?.into_iter().partition(|(name, _)| of_a_chosen(name));
    }
    let (mut now, mut best) = (Measurements::new(), BTreeMap::new());
    for attempt in 0..ATTEMPTS {
        for (package, bench) in &chosen {
            // One noisy moment is no regression, and no baseline: the best of a few runs counts, where the first is not good enough.
            let of_this = |name: &String| name.starts_with(&format!("{package}/{bench}/"));
            let slow = |(name, m): (&String, &Measured)| of_this(name) && slower(m, baseline.get(name), arguments.most);
            if attempt == 0 || arguments.renew || now.iter().any(slow) {
                let of = format!("{package}/{bench}");
                let best: &mut BTreeMap<String, f64> = best.entry(of.clone()).or_default();
                better(best, measure(&top, package, bench)?);
                now.extend(in_yardsticks(&of, best)?);
            }
        }
    }
    if arguments.renew {
        now.extend(others);
        std::fs::write(&path, written(&now)).map_err(|e| format!("{}: {e}", path.display()))?;
        println!("{} benchmarks are the baseline now.", now.len());
        return Ok(true);
    }
    let (table, good) = compared(&now, &baseline, arguments.most);
    print!("{table}");
    Ok(good)
}

fn slower(now: &Measured, then: Option<&Measured>, most: f64) -> bool {
    then.is_some_and(|then| now.ratio > most * then.ratio)
}

/// Keeps the shorter of two medians, of a yardstick as of any other: a yardstick measured in a noisy moment would flatter all else.
fn better(best: &mut BTreeMap<String, f64>, again: BTreeMap<String, f64>) {
    for (name, second) in again {
        best.entry(name).and_modify(|first| *first = first.min(second)).or_insert(second);
    }
}

fn measure(top: &Path, package: &str, bench: &str) -> Result<BTreeMap<String, f64>, String> {
    eprintln!("measuring {package}/{bench}");
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(top).args(["bench", "--quiet", "--package", package, "--bench", bench]).stderr(Stdio::inherit());
    let output = command.output().map_err(|e| format!("cargo cannot be run: {e}"))?;
    if !output.status.success() {
        return Err(format!("cargo bench of {package}/{bench} ended with {}", output.status));
    }
    medians(&String::from_utf8_lossy(&output.stdout))
}

/// The medians in a table of divan's, in ns, by the benchmark's name; that of an argument is `name/argument`.
fn medians(printed: &str) -> Result<BTreeMap<String, f64>, String> {
    let mut found = BTreeMap::new();
    let mut names: Vec<&str> = Vec::new();
    for line in printed.lines() {
        // A row is `│  ├─ name   fastest │ slowest │ median │ …`; each step deeper is three characters.
        let Some((indent, rest)) = line.split_once("├─ ").or_else(|| line.split_once("╰─ ")) else { continue };
        let (name, columns) = rest.split_once(' ').unwrap_or((rest, ""));
        names.truncate(indent.chars().count() / 3);
        names.push(name);
        let median = columns.split('│').nth(2).map_or("", str::trim);
        if !median.is_empty() {
            let ns = in_ns(median).ok_or_else(|| format!("the median of {name}, \"{median}\", is no time"))?;
            found.insert(names.join("/"), ns);
        }
    }
    Ok(found)
}

/// A time as divan prints it (`tree_painter.rs` and `time/fine_duration.rs` of 0.1.21), in ns.
fn in_ns(text: &str) -> Option<f64> {
    let (number, unit) = text.split_once(' ')?;
    let ns = match unit {
        "ps" => 1e-3,
        "ns" => 1.0,
        "µs" => 1e3,
        "ms" => 1e6,
        "s" => 1e9,
        "m" => 60e9,
        _ => return None,
    };
    Some(number.parse::<f64>().ok()? * ns)
}

fn in_yardsticks(of: &str, medians: &BTreeMap<String, f64>) -> Result<Measurements, String> {
    let yardstick = |name: &str| medians.get(name).copied().filter(|ns| *ns > 0.0).ok_or_else(|| format!("{of} has no {name}"));
    let measured = medians.iter().map(|(name, median_ns)| {
        let by = yardstick(YARDSTICK)? + if name.ends_with(ON_DISK) { yardstick(YARDSTICK_DISK)? } else { 0.0 };
        Ok((format!("{of}/{name}"), Measured { median_ns: *median_ns, ratio: median_ns / by }))
    });
    measured.filter(|result| result.as_ref().map_or(true, |(name, _)| !is_yardstick(name))).collect()
}

fn is_yardstick(name: &str) -> bool {
    name.ends_with(&format!("/{YARDSTICK}")) || name.ends_with(&format!("/{YARDSTICK_DISK}"))
}

/// The baseline's file.
fn written(measurements: &Measurements) -> String {
    let mut text = "bench\tmedian_ns\tratio_to_yardstick\n".to_owned();
    for (name, Measured { median_ns, ratio }) in measurements {
        let _ = writeln!(text, "{name}\t{median_ns:.1}\t{ratio:.6}");
    }
    text
}

fn read(text: &str) -> Result<Measurements, String> {
    let row = |line: &str| {
        let mut columns = line.split('\t');
        let name = columns.next()?.to_owned();
        let (median_ns, ratio) = (columns.next()?.parse().ok()?, columns.next()?.parse().ok()?);
        Some((name, Measured { median_ns, ratio }))
    };
    let rows = text.lines().skip(1).filter(|line| !line.is_empty());
    rows.map(|line| row(line).ok_or_else(|| format!("the baseline's line \"{line}\" cannot be read; renew it"))).collect()
}

/// The table, and whether nothing is slower and nothing of the baseline is gone.
fn compared(now: &Measurements, baseline: &Measurements, most: f64) -> (String, bool) {
    let (mut text, mut good) = (String::new(), true);
    let _ = writeln!(text, "{:<38} {:>13} {:>12} {:>12} {:>7}", "bench", "median", "yardsticks", "baseline", "times");
    for (name, Measured { median_ns, ratio }) in now {
        let line = format!("{name:<38} {:>10.1} µs {ratio:>12.4}", median_ns / 1e3);
        let _ = match baseline.get(name) {
            None => writeln!(text, "{line} {:>12} {:>7}", "new", ""),
            Some(then) => {
                let slower = slower(&Measured { median_ns: *median_ns, ratio: *ratio }, Some(then), most);
                good &= !slower;
                writeln!(text, "{line} {:>12.4} {:>7.2}{}", then.ratio, ratio / then.ratio, if slower { "  SLOWER" } else { "" })
            }
        };
    }
    for gone in baseline.keys().filter(|name| !now.contains_key(*name)) {
        good = false;
        let _ = writeln!(text, "{gone:<38} is in the baseline and was not measured: renew the baseline where it was meant to go");
    }
    (text, good)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As divan 0.1.21 prints, counters and arguments included.
    const PRINTED: &str = "\
Timer precision: 20 ns
book                fastest       │ slowest       │ median        │ mean          │ samples │ iters
├─ fold_a_slot                    │               │               │               │         │
│  ├─ 1             412.2 ns      │ 1.1 µs        │ 420.5 ns      │ 431 ns        │ 100     │ 6400
│  │                2.4 Mitem/s   │ 0.9 Mitem/s   │ 2.378 Mitem/s │ 2.32 Mitem/s  │         │
│  ╰─ 1000          98.76 ms      │ 109.5 ms      │ 99.02 ms      │ 100.1 ms      │ 10      │ 10
├─ write_on_disk    1.1 ms        │ 9 ms          │ 2 ms          │ 2.1 ms        │ 200     │ 200
├─ yardstick        576.5 µs      │ 622.3 µs      │ 200 µs        │ 583.3 µs      │ 100     │ 100
│                   1.818 GB/s    │ 1.684 GB/s    │ 1.818 GB/s    │ 1.797 GB/s    │         │
╰─ yardstick_disk   576.5 µs      │ 622.3 µs      │ 800 µs        │ 583.3 µs      │ 100     │ 100
";

    fn measured() -> Measurements {
        in_yardsticks("sync-core/book", &medians(PRINTED).unwrap()).unwrap()
    }

    #[test]
    fn a_printed_table_is_read_in_yardsticks() {
        let is = |name: &str| measured()[&format!("sync-core/book/{name}")];
        assert_eq!(measured().len(), 3);
        assert_eq!(is("fold_a_slot/1"), Measured { median_ns: 420.5, ratio: 420.5 / 200e3 });
        assert_eq!(is("fold_a_slot/1000"), Measured { median_ns: 99.02e6, ratio: 99.02e6 / 200e3 });
        assert_eq!(is("write_on_disk"), Measured { median_ns: 2e6, ratio: 2.0 });
        assert!(in_yardsticks("x", &BTreeMap::from([("open".to_owned(), 1.0)])).is_err(), "nothing to tell it in");
        assert!(medians("├─ open 1 q │ 1 q │ 1 q │\n").is_err(), "a unit that is not known");
    }

    #[test]
    fn the_best_of_a_few_runs_counts() {
        let of = |ns| BTreeMap::from([("a".to_owned(), ns)]);
        let mut best = of(3.0);
        better(&mut best, of(2.0));
        better(&mut best, of(2.5));
        assert_eq!(best, of(2.0));
    }

    #[test]
    fn a_baseline_reads_as_it_was_written_and_shows_what_is_slower_or_gone() {
        let now = measured();
        let baseline = read(&written(&now)).unwrap();
        assert!(compared(&now, &baseline, 1.5).1);
        let mut slower = now.clone();
        slower.entry("sync-core/book/write_on_disk".into()).and_modify(|m| m.ratio *= 1.6);
        let (table, good) = compared(&slower, &baseline, 1.5);
        assert!(!good && table.contains("1.60  SLOWER"), "{table}");
        assert!(compared(&slower, &baseline, 1.7).1);
        let mut fewer = now.clone();
        fewer.remove("sync-core/book/write_on_disk");
        assert!(!compared(&fewer, &baseline, 1.5).1, "what was not measured is no pass");
        assert!(compared(&now, &read(&written(&fewer)).unwrap(), 1.5).1, "a new one has nothing to be slower than");
        assert!(read("bench\tmedian_ns\tratio\nopen\tfast\n").is_err());
    }
}
