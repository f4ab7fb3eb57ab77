//! What a server is told at its start, and what is refused before anything is touched.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::builder::{BoolishValueParser, OsStringValueParser, TypedValueParser};
use jiff::tz::TimeZone;
use shared::record::ShopCard;
use sync_core::book::enrol::Founding;

use crate::error::ServerError;
use crate::limits::Limits;
use crate::origin::{AddressHeader, Network};

/// Where a server listens unless told otherwise.
pub const DEFAULT_LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 7878);
/// The name of the book's file in its folder.
pub(crate) const BOOK: &str = "shop.db";

/// How to run a shop's server.
#[derive(Debug, Clone, clap::Args)]
pub struct Config {
    /// Folder that holds the shop's book, shop.db; made where there is none, open to its owner alone
    // A global argument cannot be required; `check` asks for it.
    #[arg(
        long,
        global = true,
        env = "TAPPETBOOK_DATA",
        value_name = "DIR",
        default_value = "",
        hide_default_value = true,
        value_parser = OsStringValueParser::new().map(PathBuf::from)
    )]
    pub data: PathBuf,
    /// Address to listen on; port 0 takes a free one
    #[arg(long, env = "TAPPETBOOK_LISTEN", value_name = "ADDRESS", default_value_t = DEFAULT_LISTEN)]
    pub listen: SocketAddr,
    /// PEM file with this server's certificate, the ones that vouch for it after it; the server then speaks TLS itself
    #[arg(long, env = "TAPPETBOOK_TLS_CERT", value_name = "FILE", requires = "tls_key")]
    pub tls_cert: Option<PathBuf>,
    /// PEM file with the certificate's private key, open to its owner alone
    #[arg(long, env = "TAPPETBOOK_TLS_KEY", value_name = "FILE", requires = "tls_cert")]
    pub tls_key: Option<PathBuf>,
    /// Something in front of this server speaks TLS; allows an address that other computers reach
    #[arg(long, env = "TAPPETBOOK_BEHIND_TLS_PROXY", value_parser = BoolishValueParser::new())]
    pub behind_tls_proxy: bool,
    /// Address of a proxy in front, or its network as in 10.0.0.0/8: what it says of a client's address is taken; may be several
    #[arg(long, env = "TAPPETBOOK_TRUSTED_PROXY", value_name = "ADDRESS[/BITS]", value_delimiter = ',', requires = "client_address_in")]
    pub trusted_proxy: Vec<Network>,
    /// Header in which those proxies name the client
    #[arg(long, env = "TAPPETBOOK_CLIENT_ADDRESS_IN", value_name = "HEADER", requires = "trusted_proxy")]
    pub client_address_in: Option<AddressHeader>,
    /// The shop's name (first start only)
    #[arg(long, env = "TAPPETBOOK_SHOP_NAME", value_name = "NAME")]
    pub shop_name: Option<String>,
    /// IANA name of the shop's time zone, as in America/Chicago (first start only)
    #[arg(long, env = "TAPPETBOOK_TIME_ZONE", value_name = "ZONE")]
    pub time_zone: Option<String>,
    /// Name of the first person of the office (first start only)
    #[arg(long, env = "TAPPETBOOK_OFFICE_NAME", value_name = "NAME")]
    pub office_name: Option<String>,
    /// Address under which devices know the shop; kept for ever (first start only) [default: the one listened on]
    #[arg(long, env = "TAPPETBOOK_ISSUER", value_name = "URL")]
    pub issuer: Option<String>,
    /// What the server bears.
    #[arg(skip)]
    pub limits: Limits,
}

impl Config {
    /// A server over a folder, on the usual address, with nothing said about a new shop.
    #[must_use]
    pub fn new(data: impl Into<PathBuf>) -> Self {
        Self {
            data: data.into(),
            listen: DEFAULT_LISTEN,
            tls_cert: None,
            tls_key: None,
            behind_tls_proxy: false,
            trusted_proxy: Vec::new(),
            client_address_in: None,
            shop_name: None,
            time_zone: None,
            office_name: None,
            issuer: None,
            limits: Limits::default(),
        }
    }

    /// The book's file.
    #[must_use]
    pub fn book(&self) -> PathBuf {
        self.data.join(BOOK)
    }

    /// Refuses to guess a folder: a forgotten option must not found a second shop somewhere.
    pub(crate) fn check_data(&self) -> Result<(), ServerError> {
        if self.data.as_os_str().is_empty() {
            return Err(ServerError::Config("say which folder holds the shop's book: --data DIR.".to_owned()));
        }
        Ok(())
    }

    /// Refuses what cannot be served.
    ///
    /// # Errors
    /// [`ServerError::Config`].
    pub fn check(&self) -> Result<(), ServerError> {
        let refuse = |why: String| Err(ServerError::Config(why));
        self.check_data()?;
        if self.tls_cert.is_some() != self.tls_key.is_some() {
            return refuse("a certificate and its key go together: give both --tls-cert FILE and --tls-key FILE.".to_owned());
        }
        if !self.loopback() && !self.speaks_tls() && !self.behind_tls_proxy {
            return refuse(format!(
                "{} can be reached from other computers, and without TLS log-ins and readings would travel open. \
                 Give --tls-cert and --tls-key, or listen on 127.0.0.1, or put a TLS proxy in front and say --behind-tls-proxy.",
                self.listen
            ));
        }
        if self.trusted_proxy.is_empty() != self.client_address_in.is_none() {
            return refuse("a trusted proxy and the header in which it names its clients go together: give both --trusted-proxy ADDRESS and --client-address-in HEADER.".to_owned());
        }
        if let Some(zone) = &self.time_zone
            && TimeZone::get(zone).is_err()
        {
            return refuse(format!("\"{zone}\" is no time zone known here; give its IANA name, as in --time-zone America/Chicago."));
        }
        if let Some(issuer) = &self.issuer {
            let host = issuer.strip_prefix("https://").or_else(|| issuer.strip_prefix("http://"));
            if host.is_none_or(|rest| rest.is_empty() || rest.chars().any(|c| c.is_whitespace() || c.is_control())) {
                return refuse(format!("\"{issuer}\" is no address of a shop; write it as in --issuer https://book.example."));
            }
        }
        Ok(())
    }

    fn loopback(&self) -> bool {
        self.listen.ip().to_canonical().is_loopback()
    }

    /// Whether the server speaks TLS itself.
    pub(crate) const fn speaks_tls(&self) -> bool {
        self.tls_cert.is_some()
    }

    /// Connections that one address may hold.
    pub(crate) fn of_one_address(&self) -> usize {
        let everyone_shares_one = self.loopback() || self.behind_tls_proxy || !self.trusted_proxy.is_empty();
        let all = self.limits.connections;
        self.limits.of_one_address.unwrap_or(if everyone_shares_one { all } else { all / 2 })
    }

    /// An address as a URL.
    pub(crate) fn url(&self, bound: SocketAddr) -> String {
        format!("{}://{bound}", if self.speaks_tls() { "https" } else { "http" })
    }

    /// What a new shop is founded with, once the address is known.
    ///
    /// # Errors
    /// [`ServerError::Config`] naming what was not said.
    pub(crate) fn founding(&self, bound: SocketAddr) -> Result<Founding, ServerError> {
        let mut unsaid = Vec::new();
        let mut said = |option: &Option<String>, flag: &'static str| {
            let text = option.as_deref().map(str::trim).unwrap_or_default();
            if text.is_empty() {
                unsaid.push(flag);
            }
            text.to_owned()
        };
        let name = said(&self.shop_name, "--shop-name NAME");
        let time_zone = said(&self.time_zone, "--time-zone ZONE");
        let office_name = said(&self.office_name, "--office-name NAME");
        // An address behind a proxy is not the one that devices know, and the issuer stays for ever.
        if self.issuer.is_none() && (self.behind_tls_proxy || !bound.ip().to_canonical().is_loopback()) {
            unsaid.push("--issuer URL");
        }
        if !unsaid.is_empty() {
            return Err(ServerError::Config(format!(
                "there is no shop in {} yet, and founding one needs also {}.",
                self.data.display(),
                unsaid.join(", ")
            )));
        }
        Ok(Founding {
            shop: ShopCard::usual(name, time_zone),
            office_name,
            issuer: self.issuer.as_deref().map_or_else(|| self.url(bound), |url| url.trim_end_matches('/').to_owned()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(change: impl FnOnce(&mut Config)) -> String {
        let mut config = Config::new("somewhere");
        change(&mut config);
        config.check().unwrap_err().to_string()
    }

    #[test]
    fn what_cannot_be_served_is_refused_with_the_way_out() {
        assert!(refusal(|c| c.data = PathBuf::new()).contains("--data DIR"));
        for open in ["0.0.0.0:80", "192.0.2.7:7878", "[::]:7878", "[2001:db8::1]:1"] {
            assert!(refusal(|c| c.listen = open.parse().unwrap()).contains("--behind-tls-proxy"), "{open}");
        }
        assert!(refusal(|c| c.time_zone = Some("Middle/Nowhere".to_owned())).contains("Middle/Nowhere"));
        for issuer in ["", "book.example", "https://", "https://a b", "ftp://book.example"] {
            assert!(refusal(|c| c.issuer = Some(issuer.to_owned())).contains("--issuer"), "{issuer}");
        }
        let mut good = Config::new("somewhere");
        for own in ["127.0.0.1:0", "[::1]:80", "127.9.9.9:1", "[::ffff:127.0.0.1]:5"] {
            good.listen = own.parse().unwrap();
            good.check().unwrap();
        }
        assert_eq!(good.of_one_address(), 512);
        good.listen = "0.0.0.0:80".parse().unwrap();
        good.behind_tls_proxy = true;
        good.check().unwrap();
        assert_eq!(good.of_one_address(), 512);
        good.trusted_proxy = vec!["10.0.0.0/8".parse().unwrap()];
        assert!(good.check().unwrap_err().to_string().contains("--client-address-in"));
        good.client_address_in = Some(AddressHeader::Forwarded);
        good.check().unwrap();
        good.trusted_proxy.clear();
        assert!(good.check().unwrap_err().to_string().contains("--trusted-proxy"));
        (good.behind_tls_proxy, good.client_address_in) = (false, None);
        good.tls_cert = Some("cert.pem".into());
        assert!(good.check().unwrap_err().to_string().contains("--tls-key"));
        good.tls_key = Some("key.pem".into());
        good.check().unwrap();
        assert_eq!(good.of_one_address(), 256);
        assert_eq!(good.url("[::1]:80".parse().unwrap()), "https://[::1]:80");
    }

    #[test]
    fn founding_names_everything_unsaid_and_takes_the_bound_address_for_an_issuer() {
        let mut config = Config::new("somewhere");
        config.office_name = Some("  ".to_owned());
        let said = config.founding("0.0.0.0:80".parse().unwrap()).unwrap_err().to_string();
        for flag in ["--shop-name", "--time-zone", "--office-name", "--issuer"] {
            assert!(said.contains(flag), "{said}");
        }
        config.shop_name = Some("Green End Mowers".to_owned());
        config.time_zone = Some("UTC".to_owned());
        config.office_name = Some("Ana".to_owned());
        assert_eq!(config.founding("127.0.0.1:4321".parse().unwrap()).unwrap().issuer, "http://127.0.0.1:4321");
        config.issuer = Some("https://book.example/".to_owned());
        assert_eq!(config.founding("0.0.0.0:80".parse().unwrap()).unwrap().issuer, "https://book.example");
    }
}
