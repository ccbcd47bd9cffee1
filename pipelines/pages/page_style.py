"""Style of the prediction page.

Neutral greys only: a tinted page would pull the judgement of the colours on it. The swatches lie
on a middle grey without borders or gaps.
"""

STYLE = """
*{box-sizing:border-box}
html{background:#e9e9e9;color:#1a1a1a;font:14px/1.45 system-ui,"Helvetica Neue",Arial,sans-serif;
 -webkit-print-color-adjust:exact;print-color-adjust:exact}
body{margin:0}
main{max-width:1000px;margin:0 auto;padding:24px 16px 40px}
h1{font-size:30px;line-height:1.15;margin:0;overflow-wrap:anywhere}
h2{font-size:16px;margin:0 0 6px}
p,dl,ul,figure,dd{margin:0}
small,dt,th{font-size:12px;font-weight:400;color:#4d4d4d}
td,dd,b,text{font-variant-numeric:tabular-nums}
.over{font-size:13px;color:#4d4d4d}
.facts{display:flex;flex-wrap:wrap;gap:6px 28px;margin-top:12px}
.totals{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:4px 32px;margin-top:16px;
 font-size:17px}
.totals b{font-size:30px;line-height:1.2;margin-right:8px}
.reading{display:grid;grid-template-columns:3fr 2fr;gap:12px 32px;margin:20px 0 24px;padding:16px 0;
 border:solid #8c8c8c;border-width:1px 0}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:6px 10px 6px 0;line-height:1.3}
td small{display:block}
thead th{vertical-align:bottom}
.overview{margin-bottom:28px}
.overview tr{border-bottom:1px solid #bdbdbd;break-inside:avoid}
.overview .name{overflow-wrap:anywhere;width:28%}
.overview a{color:inherit;font-weight:600}
.n{color:#4d4d4d}
.one,.interval{white-space:nowrap}
.none{margin-top:20px;font-size:16px}
.legend{grid-column:1/-1}
.mini{display:inline-flex;padding:5px;background:#b4b4b4}
.mini i{width:26px;height:24px}
.sign{fill:none;stroke:currentColor;stroke-width:1.6;vertical-align:-3px;margin-right:6px}
.verdict{display:inline-block;padding:3px 9px 3px 7px;border:1.5px solid #1a1a1a;font-weight:600;
 font-size:13px;white-space:nowrap}
.verdict.change{background:#1a1a1a;color:#fff}
.verdict.test{background:#c6c6c6}
.verdict.go{background:#fff}
article{background:#f6f6f6;padding:16px 18px 14px;margin-bottom:20px;break-inside:avoid}
article header{display:flex;flex-wrap:wrap;justify-content:space-between;gap:6px 16px;
 align-items:baseline}
article h2{font-size:20px;line-height:1.25;margin:0;overflow-wrap:anywhere;min-width:0}
article h2 span{font-weight:400;color:#4d4d4d;margin-right:4px}
.why{margin:6px 0 2px;max-width:90ch;font-size:15px;overflow-wrap:anywhere}
.odds{margin-bottom:10px;overflow-wrap:anywhere}
.setup{display:grid;grid-template-columns:repeat(auto-fit,minmax(240px,1fr));gap:6px 20px;
 margin-bottom:14px}
.setup dd{overflow-wrap:anywhere;font-size:13px}
.look{display:flex;flex-wrap:wrap;gap:14px 20px}
.colours{flex:1 1 380px;min-width:0}
.swatches{background:#b4b4b4;padding:20px 24px 10px}
.tiles{display:flex}
.swatches figure{flex:1 1 0;min-width:0}
.swatches figure div{height:130px}
.swatches figcaption{padding:6px 4px 0;text-align:center;line-height:1.25}
.swatches p{padding-top:4px;text-align:center;font-size:12px}
.numbers{margin-top:8px}
.numbers th,.numbers td{padding:3px 10px 3px 0}
.numbers tbody th{font-size:14px;color:inherit;white-space:nowrap}
.numbers td small{display:inline;margin-left:6px}
.key{vertical-align:-3px;overflow:visible;margin-right:2px}
.views{flex:0 0 auto}
.view{vertical-align:top}
.differences{margin:14px 22px 0 112px}
.differences.aimed{margin-top:26px}
.strip{display:block;width:100%;overflow:visible}
.at{overflow:visible}
text{font-size:12px;fill:#333}
.mid{text-anchor:middle}
.end{text-anchor:end}
.field{fill:#fff;stroke:#9a9a9a}
.grid{stroke:#dcdcdc}
.neutral{stroke:#8c8c8c}
.axis{stroke:#6b6b6b}
.within{fill:#dedede}
.band{stroke:#4d4d4d;stroke-width:9;stroke-opacity:.55}
.region{fill:#4d4d4d;fill-opacity:.25;stroke:#4d4d4d}
.limit{fill:none;stroke:#1a1a1a;stroke-width:1.4;stroke-dasharray:5 3}
.mark{stroke:#1a1a1a;stroke-width:1.6}
.halo{stroke:#fff;stroke-width:5;fill:none}
.cross{stroke:#1a1a1a;stroke-width:2.2;fill:none}
footer{margin-top:28px;border-top:1px solid #8c8c8c;padding-top:14px;font-size:13px;
 break-inside:avoid}
footer ul{padding-left:18px}
@media(max-width:640px){
 main{padding:16px 10px}
 .reading{grid-template-columns:1fr}
 .overview th,.overview td{padding-right:6px}
 .overview .verdict{white-space:normal}
 .overview .name{width:24%}
 .mini{padding:3px}
 .mini i{width:13px}
 article{padding:12px}
 .swatches{padding:14px 12px 8px}
}
@page{margin:10mm}
@media print{
 html{background:#fff}
 main{max-width:none;padding:0;zoom:.92}
 article{border:1px solid #bdbdbd;margin-bottom:8px;padding:8px 14px}
 .why{font-size:14px;margin:4px 0 1px}
 .odds{margin-bottom:6px}
 .setup{display:flex;flex-wrap:wrap;gap:1px 18px;margin-bottom:8px}
 .setup div{display:flex;gap:5px}
 .setup dt{padding-top:1px}
 .swatches{padding:16px 18px 8px}
 .swatches figure div{height:72px}
 .differences.aimed{margin-top:20px}
 .colours{flex-basis:280px}
}
""".strip()
