//! `cargo simulate`: tells as many stories as asked for, and shortens the first that breaks a promise.

#![expect(clippy::print_stdout, reason = "this is the program")]

use std::process::ExitCode;

use clap::Parser;
use mimalloc::MiMalloc;
use tests::disk::Part;
use tests::sim::{Told, Weights, shrink, tell};

/// What the terminal and the server run with; a story takes memory a great many times.
#[global_allocator]
static ALLOCATOR: MiMalloc = MiMalloc;

/// Simulates a shop and its crew through power cuts, bad networks, wrong clocks and restored copies.
#[derive(Debug, Parser)]
#[command(name = "simulate")]
struct Args {
    /// The first seed
    #[arg(long, default_value_t = 1)]
    from: u64,
    /// How many seeds
    #[arg(long, default_value_t = 1000)]
    seeds: u64,
    /// Steps in each story
    #[arg(long, default_value_t = 60)]
    steps: usize,
    /// Insiders in each story; left out, none in a third of them, one in a third, and two
    #[arg(long)]
    insiders: Option<usize>,
    /// All stories as things come, or all with bundles, restores, access and revocations weighted up; left out, every other one
    #[arg(long, value_parser = ["usual", "seams"])]
    weights: Option<String>,
    /// Tell one seed's story in words
    #[arg(long)]
    story: bool,
    /// Go on after a broken promise, and do not shorten
    #[arg(long)]
    go_on: bool,
}

fn main() -> ExitCode {
    let args = Args::parse();
    let weights = |seed| match args.weights.as_deref() {
        Some("usual") => Weights::Usual,
        Some(_) => Weights::Seams,
        None => Weights::of(seed),
    };
    let (mut sum, mut broken) = (Told::default(), 0_u64);
    for seed in args.from..args.from + args.seeds {
        let plan = weights(seed).steps(seed, args.steps, args.insiders.unwrap_or_else(|| usize::try_from(seed % 3).unwrap_or(0)));
        match tell(seed, &plan) {
            Ok(told) => {
                if args.story {
                    println!("{}", told.story);
                }
                sum.add(&told);
            }
            Err((why, _)) => {
                broken += 1;
                println!("Seed {seed} breaks a promise: \"{}\": {}", why.promise, why.seen);
                if !args.go_on {
                    let (short, why, story) = shrink(seed, &plan, &why);
                    println!("\nShortened to {} of {} steps:\n{story}\n\"{}\": {}", short.len(), plan.len(), why.promise, why.seen);
                    return ExitCode::FAILURE;
                }
            }
        }
    }
    println!(
        "{} stories of {} steps: {broken} broke a promise. {} records reported kept, none lost; {} more went with the only disk that held them; {} wait in quarantine. {} exchanges, {} power cuts, {} new epochs.",
        args.seeds,
        args.steps,
        sum.kept,
        sum.gone_with_a_disk,
        sum.quarantined,
        sum.exchanges,
        sum.cuts.all(),
        sum.epochs
    );
    println!("Power cuts: {}.", sum.cuts);
    println!("Operations: {}.", sum.operations);
    println!(
        "{} of {} cuts and {} of {} operations were on the book's own file.",
        sum.cuts.on(Part::Main),
        sum.cuts.all(),
        sum.operations.on(Part::Main),
        sum.operations.all()
    );
    println!("Stories with: {}.", sum.seams_in_words());
    println!("The slow oracle was asked for {} slots.", sum.asked);
    let attacks: Vec<String> = sum.attacks.iter().map(|(attack, times)| format!("{attack} {times}")).collect();
    println!(
        "{} insiders tried: {}. Of {} forged records {} are not in the shop's book at the end, and {} are there by right; {} refusals on the way.",
        sum.insiders,
        attacks.join(", "),
        sum.forged,
        sum.forged_out,
        sum.forged - sum.forged_out,
        sum.refused
    );
    if broken == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
