"""Texts that would do harm where they were taken for something else than text."""

INJECTIONS = (
    "<script>document.title='trapped'</script>",
    "<img src=x onerror=\"document.title='trapped'\">",
    "\"><svg onload=document.title='trapped'>",
    "' autofocus onfocus='document.title=1' x='",
    "</textarea><script>document.title='trapped'</script>",
    "</title></style></script><h1>trapped</h1>",
    "javascript:document.title='trapped'",
    "{{7*7}}{% for x in ().__class__.__mro__ %}{{x}}{% endfor %}",
    "${7*7}#{7*7}<%= 7*7 %>",
    "{0.__class__}{t}{file}%(name)s%s%n",
    '=HYPERLINK("https://trapped.example";"x")',
    "+1+cmd|' /C calc'!A1",
    "-2+3@SUM(1)",
    "@SUM(1+1)*cmd",
    "a%0d%0aBcc: all@trapped.example",
    "'; DROP TABLE appraisal_request; --",
    "../../../../etc/passwd%00.jpg",
    "<a href=https://trapped.example>here</a>",
    "&lt;b&gt;&#x3c;script&#x3e;",
    "\u202egpj.exe \u2066x\u2069",
)
