"""What the source never does, read from the source alone: run text of others as code, unpack it as objects, hand it to a shell,
or read it other than through the doors that have limits."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FILES = sorted(path for package in ("stimuli", "monitor", "bench") for path in (ROOT / package).rglob("*.py"))

NEVER_IMPORTED = {"pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "yaml", "lxml", "xml.dom", "xml.sax", "dbm"}
NEVER_CALLED = {
    "eval", "exec", "compile", "__import__", "os.system", "os.popen", "tempfile.mktemp", "joblib.load", "np.fromfile",
    "numpy.fromfile", "np.loadtxt", "np.genfromtxt", "shutil.unpack_archive",
}  # fmt: skip
XML_PARSERS = {"fromstring", "fromstringlist", "parse", "iterparse", "XML", "XMLID", "XMLParser", "XMLPullParser"}
XML_DOOR = "monitor/untrusted/safe_xml.py"
TEXT_PARSERS = {"tomllib.load", "tomllib.loads", "json.load", "json.loads"}
TEXT_DOOR = "monitor/untrusted/bounded_io.py"
# They parse what a process of our own, or git, started by them, has said or written.
OF_OUR_OWN = {
    "monitor/commands/demo.py", "bench/devtools/speed_live.py", "bench/devtools/speed.py",
    "bench/devtools/fuzz_work.py", "bench/devtools/live_searches.py", "bench/devtools/structure.py",
}  # fmt: skip


def name_of(node: ast.expr) -> str:
    """a.b.c of an attribute or a name; empty for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute) and (before := name_of(node.value)):
        return f"{before}.{node.attr}"
    return ""


def wrongs(source: str, file: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = [one.name for one in node.names]
            if isinstance(node, ast.ImportFrom):
                names = [node.module or "", *(f"{node.module}.{name}" for name in names)]
            for name in names:
                if any(name == never or name.startswith(never + ".") for never in NEVER_IMPORTED):
                    yield f"imports {name}"
                if name in TEXT_PARSERS and file != TEXT_DOOR:
                    yield f"imports {name}: it is called by its full name, or through {TEXT_DOOR}"
                module, _, last = name.rpartition(".")
                if module.endswith("ElementTree") and last in XML_PARSERS:
                    yield f"imports {name}: XML is read through {XML_DOOR}"
        elif isinstance(node, ast.Call):
            yield from wrong_call(node, file)


def wrong_call(node: ast.Call, file: str) -> Iterator[str]:
    name = name_of(node.func)
    keywords = {one.arg: one.value for one in node.keywords}
    if name in NEVER_CALLED:
        yield f"calls {name}"
    shell = keywords.get("shell")
    if shell is not None and not (isinstance(shell, ast.Constant) and shell.value is False):
        yield f"calls {name} with a shell"
    if name in ("np.load", "numpy.load"):
        pickles = keywords.get("allow_pickle")
        if not (isinstance(pickles, ast.Constant) and pickles.value is False):
            yield f"calls {name} without allow_pickle=False"
    owner, _, last = name.rpartition(".")
    if owner.endswith("ElementTree") and last in XML_PARSERS and file != XML_DOOR:
        yield f"calls {name}: XML is read through {XML_DOOR}"
    if name in TEXT_PARSERS and file != TEXT_DOOR and file not in OF_OUR_OWN:
        yield f"calls {name}: text of others is read through {TEXT_DOOR}"
    if last == "extractall" and file not in OF_OUR_OWN:
        yield f"calls {name}, which writes where an archive says"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_unsafe_is_done(path: Path) -> None:
    file = path.relative_to(ROOT).as_posix()
    assert list(wrongs(path.read_text(encoding="utf-8"), file)) == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle", "from pickle import loads", "import yaml", "import xml.dom.minidom", "from marshal import loads",
        "eval('1')", "exec('1')", "compile('1', '', 'eval')", "__import__('os')", "import os\nos.system('x')",
        "import subprocess\nsubprocess.run('x', shell=True)", "import subprocess\nsubprocess.Popen('x', shell=how)",
        "np.load(path)", "np.load(path, allow_pickle=True)", "tempfile.mktemp()", "ElementTree.fromstring(text)",
        "import xml.etree.ElementTree\nxml.etree.ElementTree.parse(path)", "from xml.etree.ElementTree import fromstring",
        "json.loads(text)", "tomllib.load(file)", "from json import loads", "archive.extractall()",
    ],
)  # fmt: skip
def test_the_check_finds_what_it_is_for(source: str) -> None:
    assert list(wrongs(source, "monitor/any.py"))


def test_the_check_lets_through_what_is_safe() -> None:
    safe = "import re\nre.compile('x')\nnp.load(path, allow_pickle=False)\nsubprocess.run(['x'], shell=False)\njson.dumps(1)\n"
    assert list(wrongs(safe, "monitor/any.py")) == []


def test_every_exception_is_still_needed() -> None:
    for file in (XML_DOOR, TEXT_DOOR, *OF_OUR_OWN):
        source = (ROOT / file).read_text(encoding="utf-8")
        assert list(wrongs(source, "monitor/any.py")), f"{file} needs no exception"
