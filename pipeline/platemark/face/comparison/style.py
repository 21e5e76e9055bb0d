"""How the page looks, on paper-white and on a dark screen. The pictures stand on neutral grey in both."""

STYLE = """
:root { color-scheme: light dark; --ground: #fbfaf7; --card: #ffffff; --ink: #22252a; --quiet: #5b6169;
  --line: #dcdad3; --mount: #c9cacc; --good: #1f5f8b; --look: #8a5a00; --stop: #8c1d40; }
@media (prefers-color-scheme: dark) { :root { --ground: #17191c; --card: #202327; --ink: #e9e7e2; --quiet: #a3a8af;
  --line: #363a40; --mount: #55585c; --good: #7fbce6; --look: #e8b65a; --stop: #f08aa6; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 76rem; padding: 2rem clamp(1rem, 4vw, 3rem) 4rem; background: var(--ground);
  color: var(--ink); font: 1rem/1.55 Georgia, "Times New Roman", serif; }
header { border-left: 0.4rem solid var(--mark); padding: 0.2rem 0 0.2rem 1.4rem; margin-bottom: 2rem; }
.good { --mark: var(--good); } .look { --mark: var(--look); } .stop { --mark: var(--stop); }
.names { margin: 0; color: var(--quiet); overflow-wrap: anywhere; }
h1 { margin: 0.2rem 0 0.4rem; font-size: clamp(1.8rem, 5vw, 2.8rem); line-height: 1.15; font-weight: normal;
  color: var(--mark); }
.sign { display: inline-block; width: 1.4em; height: 1.4em; line-height: 1.4em; text-align: center; font-size: 0.7em;
  border-radius: 50%; background: var(--mark); color: var(--ground); vertical-align: 0.15em; }
h2 { font-size: 1.15rem; margin: 2.4rem 0 0.8rem; font-weight: normal; border-bottom: 1px solid var(--line);
  padding-bottom: 0.3rem; }
ul { margin: 0; padding-left: 1.1rem; } li { margin: 0.25rem 0; max-width: 46rem; }
header ul { list-style: none; padding: 0; font-size: 1.1rem; }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); gap: 1rem;
  margin-bottom: 1.6rem; }
.figures div { background: var(--card); border: 1px solid var(--line); border-radius: 0.4rem; padding: 0.9rem 1.1rem; }
.figures strong { display: block; font-size: 1.9rem; font-weight: normal; line-height: 1.2; }
.figures span, .figures small { display: block; } small, figcaption, .quiet p { color: var(--quiet); }
.pictures { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(18rem, 100%), 1fr)); gap: 1.2rem;
  align-items: start; }
figure { margin: 0; } figure img { display: block; width: 100%; height: auto; padding: 0.7rem;
  background: var(--mount); border-radius: 0.3rem; }
figcaption { margin-top: 0.4rem; font-size: 0.92rem; overflow-wrap: anywhere; } figcaption b { color: var(--ink); }
.map { image-rendering: pixelated; }
table { border-collapse: collapse; }
td, th { padding: 0.25rem 0.9rem 0.25rem 0; text-align: left; font-weight: normal; }
th { color: var(--quiet); font-size: 0.9rem; }
td i { display: block; width: 2.6rem; height: 1.3rem; border: 1px solid var(--quiet); border-radius: 0.2rem; }
.bar { display: block; height: 0.7rem; background: var(--quiet); border-radius: 0.2rem; }
td:nth-child(4) { min-width: 12.5rem; } section > p { color: var(--quiet); margin: 0.6rem 0; }
.quiet p { max-width: 46rem; }
@media print { body { padding: 0; } section { break-inside: avoid; } }
"""
