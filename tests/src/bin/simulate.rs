//! `cargo simulate`: tells as many stories as asked for, and shortens the first that breaks a promise.

#![expect(clippy::print_stdout, reason = "this is the program")]

use std::process::ExitCode;

use clap::Parser;
use tests::sim::{Told, shrink, steps, steps_with, tell};

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
    /// Tell one seed's story in words
    #[arg(long)]
    story: bool,
    /// Go on after a broken promise, and do not shorten
    #[arg(long)]
    go_on: bool,
}

fn main() -> ExitCode {
    let args = Args::parse();
    let (mut sum, mut broken) = (Told::default(), 0_u64);
    for seed in args.from..args.from + args.seeds {
        let plan = args.insiders.map_or_else(|| steps(seed, args.steps), |insiders| steps_with(seed, args.steps, insiders));
        match tell(seed, &plan) {
            Ok(told) => {
                if args.story {
                    println!("{}", told.story);
                }
                sum.kept += told.kept;
                sum.gone_with_a_disk += told.gone_with_a_disk;
                sum.quarantined += told.quarantined;
                sum.exchanges += told.exchanges;
                sum.cuts += told.cuts;
                sum.epochs += told.epochs;
                sum.insiders += told.insiders;
                sum.forged += told.forged;
                sum.forged_out += told.forged_out;
                sum.refused += told.refused;
                for (attack, times) in told.attacks {
                    *sum.attacks.entry(attack).or_default() += times;
                }
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
        args.seeds, args.steps, sum.kept, sum.gone_with_a_disk, sum.quarantined, sum.exchanges, sum.cuts, sum.epochs
    );
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
