//! `[network]`, and addresses of layers.

use super::context::Context;
use crate::address::{self, NoAddress, Prefix};
use crate::settings::Network;
use crate::source::item;

/// Tries of a request unless said otherwise: pauses of 0.5, 1, 2 and 4 seconds.
const TRIES: u32 = 5;
/// Seconds without a byte after which a server has failed, unless said otherwise.
const TIMEOUT_S: f64 = 60.0;

/// How a secret gets to a server without standing in the study.
const SECRETS: &str = "a study file is kept in run.json, so it holds no secret: put the query or the header into an environment \
                       variable and name that in [network] as query_from or header_from; user names and passwords also stand \
                       in ~/.netrc";

/// What may be fetched; `None` where nothing may.
pub(super) fn network(context: &mut Context<'_>) -> Option<Network> {
    let section = context.file.network.as_ref()?;
    let mut allow: Vec<Prefix> = Vec::new();
    for (at, text) in section.allow.iter().enumerate().map(|(i, text)| (item("network.allow", i), text)) {
        match Prefix::parse(text) {
            Ok(prefix) => allow.push(prefix),
            Err(error) => no_address(context, &at, text, error),
        }
    }
    for (name, variable) in [("query_from", &section.query_from), ("header_from", &section.header_from)] {
        let Some(variable) = variable else { continue };
        let at = format!("network.{name}");
        let is_name = !variable.is_empty()
            && variable.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
            && !variable.starts_with(|c: char| c.is_ascii_digit());
        if !is_name {
            // it may be the secret itself
            secret_problem(
                context,
                &at,
                format!("{at} is no name of an environment variable"),
                "letters, digits and _, as in TILES_TOKEN",
            );
        }
        if allow.iter().any(|prefix| prefix.origin() != allow[0].origin()) {
            let message = format!("{at}: one secret would be sent to several servers");
            context.problem(&at, message, "allow a single server in network.allow, or take the secret out");
        }
        if let Some(prefix) = allow.iter().find(|prefix| prefix.is_open_to_others()) {
            let message = format!("{at}: the secret would be sent to {prefix} unencrypted");
            context.problem(&at, message, "use https");
        }
    }
    if let Some((i, prefix)) = allow.iter().enumerate().find(|(_, prefix)| prefix.is_open_to_others()) {
        let message =
            format!("{prefix} is not encrypted: whoever is on the way can read and change what is fetched");
        context.warn(&item("network.allow", i), message, "use https where the server has it");
    }
    Some(Network {
        allow,
        query_from: section.query_from.clone(),
        header_from: section.header_from.clone(),
        tries: section.tries.unwrap_or(TRIES),
        timeout_s: section.timeout_s.unwrap_or(TIMEOUT_S),
    })
}

/// Checks an address (or a pattern of addresses) that a layer names.
pub(super) fn address_of_layer(context: &mut Context<'_>, at: &str, text: &str) {
    let placed = text.replace("{year}", "2000").replace("{month}", "01");
    let url = match address::parse(&placed) {
        Ok(url) => url,
        Err(error) => return no_address(context, at, text, error),
    };
    let authority =
        |text: &str| text.split_once("://").and_then(|(_, rest)| rest.split('/').next().map(str::to_string));
    if authority(text) != authority(&placed) {
        let message = format!("{at}: {text} has a date in the name of its server");
        return context.problem(at, message, "{year} and {month} stand in the path");
    }
    if text.contains('*') {
        let message = format!("{at}: {text} has a *, but a server is not asked what it holds");
        return context.problem(at, message, "write the address of each month with {year} and {month} alone");
    }
    if context.spoilt.within("network") || context.spoilt.open("network") {
        return; // what is allowed is not known
    }
    let shown = address::shown(text);
    match &context.network {
        Some(network) if network.allows(&url) => {}
        Some(network) => {
            let message =
                format!("{at}: {shown} is not among what the study may fetch ({})", network.allowed());
            let help = format!("add \"{}\" to network.allow if it may be fetched", server_of(&url));
            context.problem(at, message, help);
        }
        None => {
            let message = format!("{at}: {shown} lies on a server, and the study allows no network");
            let help = format!(
                "if it may be fetched, add a section [network] with allow = [\"{}\"]; else copy the file here and give its path",
                server_of(&url)
            );
            context.problem(at, message, help);
        }
    }
}

/// The server of an address.
fn server_of(url: &url::Url) -> String {
    let port = url.port().map(|port| format!(":{port}")).unwrap_or_default();
    format!("{}://{}{port}/", url.scheme(), url.host_str().unwrap_or_default())
}

fn no_address(context: &mut Context<'_>, at: &str, text: &str, error: NoAddress) {
    let message = format!("{at}: {} {error}", address::shown(text));
    if error.may_be_secret() {
        secret_problem(context, at, message, SECRETS);
    } else {
        context.problem(at, message, "give an address such as https://host/folder/file.tif");
    }
}

/// A problem whose line is named but not shown.
fn secret_problem(context: &mut Context<'_>, at: &str, message: String, help: &str) {
    let before = context.problems.len();
    context.problem(at, message, help);
    for problem in &mut context.problems[before..] {
        if let Some(place) = problem.place.take() {
            problem.message = format!("line {}: {}", place.line, problem.message);
        }
    }
}
