"""Style of the page that checks a model, on top of `page_style`: neutral greys here too."""

CHECK_STYLE = """
section{margin:0 0 26px;padding-top:14px;border-top:1px solid #8c8c8c}
section>p{max-width:88ch;margin-bottom:10px}
section ol{margin:0;padding-left:22px;max-width:88ch}
section li{margin-bottom:6px}
.checked{table-layout:fixed;margin-bottom:12px}
.checked tr{border-bottom:1px solid #cfcfcf;break-inside:avoid}
.checked th,.checked td{padding:4px 8px 4px 0;vertical-align:middle}
.checked thead th{vertical-align:bottom}
.checked .what{width:25%;color:inherit;font-size:14px;overflow-wrap:anywhere}
.checked .drawn{width:33%;padding:0 18px 0 6px}
.checked .num{text-align:right}
.checked .word{padding-left:10px}
.checked td small{white-space:nowrap}
.checked .what small{display:block}
.bins{width:auto;align-self:flex-start}
.bins .num{width:74px}
.how{margin:14px 0 20px}
.scatter{fill:#bcbcbc}
.whisker{stroke:#1a1a1a;stroke-width:1.5;fill:none}
.column{fill:#8c8c8c}
.curve{fill:none;stroke:#1a1a1a;stroke-width:1.6}
.part{stroke:#1a1a1a}
.p0{fill:#6b6b6b}.p1{fill:#bcbcbc}.p2{fill:#fff}
.flow{display:flex;flex-wrap:wrap;gap:14px 22px}
.flow figcaption{font-size:13px;margin-bottom:4px}
.plot{flex:1 1 250px;max-width:308px;min-width:0;break-inside:avoid}
.plot svg{display:block;width:100%;height:auto}
.pit{break-inside:avoid}
.keys{margin:0 0 8px;break-after:avoid}
section h2,section h2+p,h3,h3+p{break-after:avoid}
.keys span{white-space:nowrap;margin-right:16px}
.block{display:inline-block;width:18px;height:11px;background:#bcbcbc;margin-right:5px}
.dash{display:inline-block;width:18px;border-top:1.6px dashed #1a1a1a;margin:0 5px 4px 0}
h3{font-size:14px;margin:16px 0 2px}
@media(max-width:640px){
 .checked .what{width:23%;font-size:13px}
 .checked .drawn{width:33%;padding-right:12px}
 .checked th,.checked td{padding-right:5px}
}
@media print{section{margin-bottom:14px;padding-top:8px}}
"""
