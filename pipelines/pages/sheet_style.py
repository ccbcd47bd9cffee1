"""Style of the press sheet: one page of A4 or Letter, neutral greys, room to write."""

STYLE = """
*{box-sizing:border-box}
html{background:#e9e9e9;color:#1a1a1a;font:13px/1.35 system-ui,"Helvetica Neue",Arial,sans-serif;
 -webkit-print-color-adjust:exact;print-color-adjust:exact}
body{margin:0}
main{width:186mm;max-width:100%;margin:0 auto;padding:8mm 4mm;background:#fff}
h1{font-size:22px;line-height:1.15;margin:0;overflow-wrap:anywhere}
h2{font-size:14px;margin:0 0 4px;border-bottom:1px solid #8c8c8c;padding-bottom:2px}
p,dl,ul,ol,figure,dd{margin:0}
header{display:flex;justify-content:space-between;gap:12px;align-items:end}
header p{color:#4d4d4d}
.verdict{border:2px solid #1a1a1a;padding:4px 10px;white-space:nowrap;font-size:15px}
.head{display:grid;grid-template-columns:repeat(4,auto);gap:4px 18px;margin:8px 0 10px}
dt,th,.note{font-size:11px;font-weight:400;color:#4d4d4d;text-align:left}
.two{display:grid;grid-template-columns:1fr 1fr;gap:18px}
section{margin-bottom:10px}
ol,ul{padding-left:18px}
li{margin-bottom:2px}
table{border-collapse:collapse}
td,th{padding:1px 10px 1px 0;vertical-align:top;font-variant-numeric:tabular-nums}
.setup{width:100%}
.setup th{width:78px}
.setup .blank{border-bottom:1px solid #8c8c8c}
.tiles{display:flex;flex-wrap:wrap;gap:8px 14px}
figure{width:212px}
.pair{display:flex;background:#b4b4b4;padding:9px}
.pair i{flex:1;height:48px}
figcaption{padding-top:3px;font-size:12px;line-height:1.3}
figcaption td,figcaption th{padding-right:6px;white-space:nowrap;font-size:11px}
.note{margin-top:4px}
.patches{width:100%;margin-top:6px}
.patches th,.patches td{border:1px solid #8c8c8c;padding:4px 6px}
.patches .blank{min-width:52px;height:26px}
footer{font-size:12px}
@page{margin:10mm}
@media print{html{background:#fff}main{padding:0;width:auto;zoom:.8}
  section,footer{break-inside:avoid}}
@media(max-width:600px){.two,.head{grid-template-columns:1fr}}
""".strip()
