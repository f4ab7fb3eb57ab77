//! From which address a request came: the connection's own, or the one that a trusted proxy names in a header.
//!
//! Anybody can write such a header. It is read only where the connection comes from a proxy that was named at the start, and from its
//! end: what a proxy adds stands last, and whatever a client sent before it proves nothing. The last address that is no trusted
//! proxy's is the client's.

use std::net::IpAddr;
use std::str::FromStr;

use axum::http::{HeaderMap, HeaderName, header};

use crate::config::Config;
use crate::connection_limits::household;
use crate::rate_limit::Peer;

/// The header in which a proxy names its client.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum AddressHeader {
    /// `Forwarded`, RFC 7239.
    Forwarded,
    /// `X-Forwarded-For`: addresses with commas between. Common practice, written down nowhere.
    XForwardedFor,
}

/// One address, or those that begin with the same bits, as in `10.0.0.0/8` (RFC 4632 section 3.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Network {
    /// Its bits, those of IPv4 behind 96 others (RFC 4291 section 2.5.5.2).
    address: u128,
    /// How many of them count, 0 to 128.
    bits: u32,
}

/// A text that is no network.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is no address and no network; write it as in 10.0.0.7, 10.0.0.0/8 or fd00::/8")]
pub struct NetworkError(String);

impl FromStr for Network {
    type Err = NetworkError;

    fn from_str(text: &str) -> Result<Self, NetworkError> {
        let parsed = || {
            let (address, bits) = text.split_once('/').map_or((text, None), |(address, bits)| (address, Some(bits)));
            let address: IpAddr = address.parse().ok()?;
            let width = if address.is_ipv4() { 32 } else { 128 };
            let bits = bits.map_or(Some(width), |bits| bits.parse().ok().filter(|bits| *bits <= width))?;
            Some(Self { address: bits_of(address), bits: 128 - width + bits })
        };
        parsed().ok_or_else(|| NetworkError(text.to_owned()))
    }
}

fn bits_of(address: IpAddr) -> u128 {
    match address {
        IpAddr::V4(v4) => v4.to_ipv6_mapped().into(),
        IpAddr::V6(v6) => v6.into(),
    }
}

impl Network {
    fn has(self, address: IpAddr) -> bool {
        let differing = self.address ^ bits_of(address);
        differing.checked_shr(128 - self.bits).unwrap_or_default() == 0
    }
}

/// Where requests come from, as far as this server was told about what stands before it.
#[derive(Debug, Clone)]
pub(crate) struct Origin {
    behind_proxy: bool,
    trusted: Vec<Network>,
    header: Option<AddressHeader>,
}

impl Origin {
    pub(crate) fn of(config: &Config) -> Self {
        Self { behind_proxy: config.behind_tls_proxy, trusted: config.trusted_proxy.clone(), header: config.client_address_in }
    }

    /// Whether a connection is of a program on this very computer, and of no proxy there.
    pub(crate) fn is_here(&self, peer: IpAddr) -> bool {
        !self.behind_proxy && !self.trusts(peer) && peer.to_canonical().is_loopback()
    }

    /// From whom a request came. Where a trusted proxy says nothing that can be read, the proxy itself.
    pub(crate) fn who(&self, peer: IpAddr, headers: &HeaderMap) -> Peer {
        let Some(header) = self.header.filter(|_| !self.trusted.is_empty()) else {
            // Every connection is the proxy's, and nobody said whom to believe.
            return Peer((!self.behind_proxy).then(|| household(peer)));
        };
        let mut client = peer;
        let mut named = header.named(headers).unwrap_or_default();
        while self.trusts(client) {
            match named.pop().flatten() {
                Some(before) => client = before,
                None => break,
            }
        }
        Peer(Some(household(client)))
    }

    fn trusts(&self, address: IpAddr) -> bool {
        self.trusted.iter().any(|network| network.has(address))
    }
}

impl AddressHeader {
    /// The addresses that a request's headers name, in the order in which proxies added them; `None` for one that is hidden or
    /// cannot be read. Nothing at all where the whole is not as it has to be written.
    fn named(self, headers: &HeaderMap) -> Option<Vec<Option<IpAddr>>> {
        const LIST: HeaderName = HeaderName::from_static("x-forwarded-for");
        let mut found = Vec::new();
        let name = if self == Self::Forwarded { header::FORWARDED } else { LIST };
        for line in headers.get_all(name) {
            let line = line.to_str().ok()?;
            match self {
                Self::Forwarded => found.append(&mut elements(line)?),
                Self::XForwardedFor => found.extend(line.split(',').map(|one| address(one.trim()))),
            }
        }
        Some(found)
    }
}

/// The `for` of each element of a line (RFC 7239 section 4).
fn elements(line: &str) -> Option<Vec<Option<IpAddr>>> {
    const BLANK: [char; 2] = [' ', '\t'];
    let mut found = vec![None];
    let mut rest = line.trim_start_matches(BLANK);
    while !rest.is_empty() {
        if !rest.starts_with([',', ';']) {
            let (name, after) = rest.split_once('=')?;
            let (value, after) = value(after)?;
            if name.eq_ignore_ascii_case("for") {
                *found.last_mut()? = address(&value);
            }
            rest = after.trim_start_matches(BLANK);
        }
        match rest.chars().next() {
            Some(',') => found.push(None),
            Some(';') | None => {}
            Some(_) => return None,
        }
        rest = rest.get(1..).unwrap_or_default().trim_start_matches(BLANK);
    }
    Some(found)
}

/// A parameter's value, a token or a quoted string (RFC 9110 sections 5.6.2 and 5.6.4), and what follows it.
fn value(text: &str) -> Option<(String, &str)> {
    let Some(quoted) = text.strip_prefix('"') else {
        let end = text.find([',', ';', ' ', '\t']).unwrap_or(text.len());
        let (token, rest) = text.split_at(end);
        return (!token.is_empty() && !token.contains('"')).then(|| (token.to_owned(), rest));
    };
    let mut value = String::new();
    let mut signs = quoted.char_indices();
    while let Some((at, sign)) = signs.next() {
        match sign {
            '"' => return Some((value, quoted.get(at + 1..)?)),
            '\\' => value.push(signs.next()?.1),
            other => value.push(other),
        }
    }
    None
}

/// An address as proxies write it, with or without a port: `192.0.2.7`, `192.0.2.7:47011`, `[2001:db8::7]:47011`, `2001:db8::7`.
fn address(text: &str) -> Option<IpAddr> {
    if let Some((inner, port)) = text.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        let port_is_one = port.is_empty() || port.strip_prefix(':').is_some_and(|port| port.parse::<u16>().is_ok());
        return inner.parse().ok().filter(|address: &IpAddr| port_is_one && address.is_ipv6());
    }
    text.parse().ok().or_else(|| text.parse::<std::net::SocketAddrV4>().ok().map(|with_port| (*with_port.ip()).into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn origin(trusted: &[&str], header: AddressHeader) -> Origin {
        Origin { behind_proxy: true, trusted: trusted.iter().map(|one| one.parse().unwrap()).collect(), header: Some(header) }
    }

    fn who(origin: &Origin, peer: &str, lines: &[(&'static str, &str)]) -> String {
        let mut headers = HeaderMap::new();
        for (name, value) in lines {
            headers.append(*name, value.parse().unwrap());
        }
        origin.who(peer.parse().unwrap(), &headers).0.map_or_else(|| "nobody".to_owned(), |address| address.to_string())
    }

    #[test]
    fn without_a_trusted_proxy_no_header_is_read() {
        let lines = [("x-forwarded-for", "203.0.113.9"), ("forwarded", "for=203.0.113.9")];
        let open = Origin::of(&Config::new("somewhere"));
        assert_eq!(who(&open, "192.0.2.1", &lines), "192.0.2.1");
        assert!(open.is_here("127.0.0.1".parse().unwrap()) && !open.is_here("192.0.2.1".parse().unwrap()));
        let behind = Origin { behind_proxy: true, ..open };
        assert_eq!(who(&behind, "192.0.2.1", &lines), "nobody");
        assert!(!behind.is_here("127.0.0.1".parse().unwrap()));
    }

    #[test]
    fn the_last_address_that_is_no_proxys_is_the_clients() {
        let list = origin(&["10.0.0.0/8", "fd00::/8"], AddressHeader::XForwardedFor);
        let of = |peer: &str, line: &str| who(&list, peer, &[("x-forwarded-for", line), ("forwarded", "for=198.51.100.1")]);
        // Straight to the server: what is claimed changes nothing.
        assert_eq!(of("192.0.2.1", "203.0.113.9"), "192.0.2.1");
        assert_eq!(of("10.0.0.1", "203.0.113.9"), "203.0.113.9");
        // What the client itself sent stands before what the proxy adds.
        assert_eq!(of("10.0.0.1", "198.51.100.7, 10.0.0.3, 203.0.113.9"), "203.0.113.9");
        assert_eq!(of("10.0.0.1", "198.51.100.7, 203.0.113.9:4711, 10.2.3.4"), "203.0.113.9");
        assert_eq!(of("::ffff:10.0.0.1", "[2001:db8::7]:4711"), "2001:db8::");
        assert_eq!(of("fd00::1", "2001:db8::7"), "2001:db8::");
        // Nothing that can be read: it counts as the proxy's own, and what stands before it is not asked.
        for hidden in ["", "unknown", "203.0.113.9, _hidden", "203.0.113.9, ", "203.0.113.9, 1.2.3", "203.0.113.9, [10.0.0.9]", "é"] {
            assert_eq!(of("10.0.0.1", hidden), "10.0.0.1", "{hidden}");
        }
        assert_eq!(of("10.0.0.1", "_hidden, 10.0.0.2"), "10.0.0.2");
        assert_eq!(who(&list, "10.0.0.1", &[("x-forwarded-for", "198.51.100.7"), ("x-forwarded-for", "203.0.113.9")]), "203.0.113.9");
        assert!(!list.is_here("127.0.0.1".parse().unwrap()));
    }

    /// The examples of RFC 7239, sections 4, 6 and 7.1 (from memory).
    #[test]
    fn forwarded_is_read_as_the_rfc_writes_it() {
        let rfc = origin(&["10.0.0.0/8", "192.0.2.43"], AddressHeader::Forwarded);
        let of = |line: &str| who(&rfc, "10.0.0.1", &[("forwarded", line), ("x-forwarded-for", "198.51.100.1")]);
        assert_eq!(of("for=192.0.2.60;proto=http;by=203.0.113.43"), "192.0.2.60");
        assert_eq!(of("For=\"[2001:db8:cafe::17]:4711\""), "2001:db8:cafe::");
        assert_eq!(of("for=198.51.100.17, for=192.0.2.43"), "198.51.100.17");
        assert_eq!(of("for=192.0.2.44,for=198.51.100.17;by=203.0.113.60;proto=http;host=example.com"), "198.51.100.17");
        assert_eq!(of("host=\"a,b;for=198.51.100.1\";for=\"192.0.2.60:80\""), "192.0.2.60");
        assert_eq!(of("for=\"\\1\\9\\2.0.2.60\""), "192.0.2.60");
        // Hidden, without a `for`, or not to be read: a quote that a client left open takes nothing of the proxy's for its own.
        for hidden in ["for=_gazonk", "for=unknown", "proto=https", "for=\"198.51.100.1, for=192.0.2.60", "for=, for=192.0.2.60", "for"] {
            assert_eq!(of(hidden), "10.0.0.1", "{hidden}");
        }
    }

    #[test]
    fn a_network_is_an_address_and_how_many_bits_of_it_count() {
        let network = |text: &str| text.parse::<Network>();
        let has = |text: &str, address: &str| network(text).unwrap().has(address.parse().unwrap());
        assert!(has("10.0.0.0/8", "10.255.0.1") && !has("10.0.0.0/8", "11.0.0.1") && !has("10.0.0.0/8", "fd00::1"));
        assert!(has("10.0.0.7", "10.0.0.7") && !has("10.0.0.7", "10.0.0.6") && has("10.0.0.7/31", "10.0.0.6"));
        assert!(has("0.0.0.0/0", "203.0.113.9") && !has("0.0.0.0/0", "2001:db8::1") && has("::/0", "203.0.113.9"));
        assert!(has("fd00::/8", "fdff::1") && has("::1", "::1") && !has("::1", "::2"));
        for wrong in ["", "proxy", "10.0.0.0/33", "10.0.0.0/-1", "fd00::/129", "10.0.0/8", "10.0.0.1/", "/8"] {
            assert!(network(wrong).unwrap_err().to_string().contains("10.0.0.0/8"), "{wrong}");
        }
    }

    proptest! {
        /// Whatever a client sends before it, the address that a trusted proxy adds is the one that counts.
        #[test]
        fn nothing_that_a_client_sends_moves_its_address(sent in "[ -~]{0,60}", of_rfc in any::<bool>()) {
            let (header, name, added) = match of_rfc {
                true => (AddressHeader::Forwarded, "forwarded", "for=203.0.113.9"),
                false => (AddressHeader::XForwardedFor, "x-forwarded-for", "203.0.113.9"),
            };
            let shown = who(&origin(&["10.0.0.1"], header), "10.0.0.1", &[(name, &format!("{sent}, {added}"))]);
            prop_assert!(shown == "203.0.113.9" || (of_rfc && shown == "10.0.0.1"), "{}", shown);
        }
    }
}
