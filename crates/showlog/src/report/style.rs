//! The page's one style sheet: dark on screen, light on paper. Colours by IEC 60073 (red danger, yellow abnormal, green
//! normal, blue an act), each doubled by a word and a shape.

/// The style sheet.
pub(super) const CSS: &str = r#"
:root{color-scheme:dark;--bg:#11151a;--card:#1a2027;--line:#333d48;--text:#edf1f5;--faint:#a3b0bd;--red:#ff6b5e;--yellow:#f2c230;--green:#4fc27c;--blue:#69aefc;--grey:#8492a0;--curve:#f4f7fa;--band:#f4f7fa33;--cost:#69aefc55}
@media print{:root{color-scheme:light;--bg:#fff;--card:#fff;--line:#c3cad2;--text:#14181d;--faint:#53606d;--red:#b3221a;--yellow:#a87900;--green:#1d7a43;--blue:#1d5fae;--grey:#8a949e;--curve:#14181d;--band:#14181d26;--cost:#1d5fae40}}
*{box-sizing:border-box}
html{background:var(--bg);color:var(--text);font:16px/1.5 system-ui,"DejaVu Sans",sans-serif;-webkit-print-color-adjust:exact;print-color-adjust:exact}
body{max-width:1080px;margin:0 auto;padding:24px 20px 60px}
header{display:flex;flex-wrap:wrap;gap:4px 24px;align-items:baseline;border-bottom:1px solid var(--line);padding-bottom:10px}
h1{font-size:1.7rem;line-height:1.2;margin:0}
h2{font-size:1.25rem;margin:44px 0 10px}
h3{font-size:1.1rem;margin:34px 0 4px}
p{margin:6px 0}
.faint{color:var(--faint)}
.verdict{display:flex;gap:18px;align-items:center;margin:20px 0;padding:18px 20px;border:1px solid var(--line);border-left:8px solid var(--c);background:var(--card)}
.verdict svg{width:54px;height:54px;flex:none}
.verdict p{margin:0;font-size:1.3rem;line-height:1.35}
.verdict p.word{font-size:.95rem;font-weight:700;letter-spacing:.04em;color:var(--c)}
.verdict ul{margin:6px 0 0;padding-left:18px;font-size:.95rem;color:var(--faint)}
.two{display:grid;grid-template-columns:repeat(auto-fit,minmax(320px,1fr));gap:20px}
.two h2{margin:10px 0 8px}
.card{border:1px solid var(--line);background:var(--card);padding:6px 18px 14px}
.finding{margin:0;padding:9px 0;border-top:1px solid var(--line);list-style:none}
ol.findings{margin:0;padding:0}
ol.findings li:first-child{border-top:0}
.mark{font-size:.78rem;font-weight:700;padding:1px 7px;border:1.5px solid currentColor;white-space:nowrap;margin-right:7px}
.high{color:var(--red)}.medium{color:var(--yellow)}.low{color:var(--blue)}.good{color:var(--green)}
.evidence{margin:3px 0 0;padding-left:18px;font-size:.88rem;color:var(--faint)}
table{border-collapse:collapse;width:100%;font-size:.92rem}
th{text-align:left;font-weight:600;color:var(--faint);border-bottom:1px solid var(--line);vertical-align:bottom}
td,th{padding:5px 10px 5px 0}
td{border-bottom:1px solid var(--line);vertical-align:top}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
td.t{font-variant-numeric:tabular-nums;white-space:nowrap}
.scroll{overflow-x:auto}
a{color:var(--blue)}
a:focus-visible,summary:focus-visible{outline:3px solid var(--blue);outline-offset:2px}
figure{margin:8px 0 0}
figure.heard figcaption{font-size:.88rem;color:var(--faint)}
figure.heard audio{width:100%;height:40px;display:block}
@media print{figure.heard{display:none}}
figure svg{width:100%;height:auto;display:block}
svg text{font:11.5px system-ui,"DejaVu Sans",sans-serif;fill:var(--text)}
svg polyline{fill:none;stroke:var(--faint);stroke-width:1}
polyline.ax{stroke:var(--faint)}polyline.gr{stroke:var(--line)}
polyline.wa{stroke:var(--yellow);stroke-dasharray:6 4}polyline.da{stroke:var(--red);stroke-dasharray:2 3}
polyline.cu{stroke:var(--curve);stroke-width:1.6;stroke-linejoin:round}polygon.ba{fill:var(--band)}polygon.co{fill:var(--cost)}
polyline.st{stroke:var(--yellow);stroke-width:1.4;stroke-dasharray:1 3}polyline.ac{stroke:var(--blue);stroke-width:2}
rect.oa{fill:var(--curve)}rect.fi{fill:var(--green)}rect.de{fill:var(--yellow)}rect.un{fill:var(--red)}rect.uk{fill:var(--grey)}rect.dr{fill:var(--red)}rect.ac{fill:var(--blue)}
circle.st{fill:var(--curve)}svg text.ax{fill:var(--bg);font-weight:700}svg text.fa{fill:var(--faint)}
svg text.la{font-weight:600;paint-order:stroke;stroke:var(--bg);stroke-width:3px}
.key{display:flex;flex-wrap:wrap;gap:4px 20px;font-size:.85rem;color:var(--faint);margin:4px 0 0}
.key span::before{content:"";display:inline-block;margin-right:6px;width:18px;vertical-align:middle;background:var(--k);height:var(--h)}
dl.facts{display:grid;grid-template-columns:max-content 1fr;gap:2px 16px;margin:6px 0;font-size:.95rem}
dt{color:var(--faint)}dd{margin:0}
.sheet .item{padding:8px 0;border-top:1px solid var(--line)}.sheet .item h3{margin:0;font-size:1.05rem}.mark.untested{color:var(--grey)}
summary{cursor:pointer;padding:4px 0}
.caution{border:2px solid var(--yellow);padding:8px 16px;margin-top:34px}
@media print{body{padding:0;max-width:none}h2,h3{break-after:avoid}figure,.card,.verdict,tr{break-inside:avoid}.first{break-after:page}a{color:inherit;text-decoration:none}details:not([open])>*{display:block}}
@page{size:A4;margin:14mm}
"#;
