"""Makes bracket_ap242.step: an invented part with tolerances as data. Run it in this folder; it needs the CAD kernel.

The kernel writes the shape (a block with a doubly curved top and two bores) and the names of its faces. The annotations
are appended here by hand, record by record, after ISO 10303-242 and -47 from memory: neither the kernel's writer, which
states tolerances in metres, nor probekit had a hand in them. Part and numbers mean nothing; some annotations are there
so that a reader can show what it does with those it does not understand.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

FACES = ("left", "front", "skin", "back", "base", "right", "bore", "pin_hole")

#: {name} is the record of a face, {shape} that of the product's shape, {representation} and {mm} likewise.
PMI = """
#2001=DOCUMENT_TYPE('');
#2002=DOCUMENT('1','ASME Y14.5-2018','the standard that the tolerances follow',#2001);

#2101=DATUM_FEATURE('base','',{shape},.T.);
#2102=DATUM_FEATURE('bore','',{shape},.T.);
#2103=DATUM_FEATURE('left side','',{shape},.T.);
#2111=DATUM('','',{shape},.F.,'A');
#2112=DATUM('','',{shape},.F.,'B');
#2113=DATUM('','',{shape},.F.,'C');
#2114=DATUM('','',{shape},.F.,'T');
#2121=SHAPE_ASPECT_RELATIONSHIP('','',#2101,#2111);
#2122=SHAPE_ASPECT_RELATIONSHIP('','',#2102,#2112);
#2123=SHAPE_ASPECT_RELATIONSHIP('','',#2103,#2113);
#2131=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2101,{representation},{base});
#2132=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2102,{representation},{bore});
#2133=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2103,{representation},{left});
#2141=PLACED_DATUM_TARGET_FEATURE('','point',{shape},.T.,'1');
#2142=FEATURE_FOR_DATUM_TARGET_RELATIONSHIP('','',#2141,#2114);

#2201=DATUM_REFERENCE_COMPARTMENT('','',{shape},.F.,#2111,$);
#2202=DATUM_REFERENCE_COMPARTMENT('','',{shape},.F.,#2112,$);
#2203=DATUM_REFERENCE_COMPARTMENT('','',{shape},.F.,#2113,$);
#2204=DATUM_SYSTEM('','',{shape},.F.,(#2201,#2202,#2203));
#2205=DATUM_SYSTEM('','',{shape},.F.,(#2201));
#2206=DATUM_REFERENCE_COMPARTMENT('','',{shape},.F.,#2112,
  (SIMPLE_DATUM_REFERENCE_MODIFIER(.MAXIMUM_MATERIAL_REQUIREMENT.)));
#2207=DATUM_SYSTEM('','',{shape},.F.,(#2201,#2206,#2203));
#2208=DATUM_REFERENCE_ELEMENT('','',{shape},.F.,#2111,$);
#2209=DATUM_REFERENCE_ELEMENT('','',{shape},.F.,#2113,$);
#2210=DATUM_REFERENCE_COMPARTMENT('','',{shape},.F.,COMMON_DATUM_LIST((#2208,#2209)),$);
#2211=DATUM_SYSTEM('','',{shape},.F.,(#2210,#2202));

#2301=SHAPE_ASPECT('skin','',{shape},.T.);
#2302=SHAPE_ASPECT('right side','',{shape},.T.);
#2303=COMPOSITE_GROUP_SHAPE_ASPECT('two sides','',{shape},.T.);
#2304=SHAPE_ASPECT('front','',{shape},.T.);
#2305=SHAPE_ASPECT('back','',{shape},.T.);
#2306=SHAPE_ASPECT('pin hole','',{shape},.T.);
#2307=SHAPE_ASPECT('linked to nothing','',{shape},.T.);
#2308=ALL_AROUND_SHAPE_ASPECT('all around','',{shape},.T.);
#2311=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2301,{representation},{skin});
#2312=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2302,{representation},{right});
#2314=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2304,{representation},{front});
#2315=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2305,{representation},{back});
#2316=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2306,{representation},{pin_hole});
#2323=SHAPE_ASPECT_RELATIONSHIP('','',#2303,#2304);
#2324=SHAPE_ASPECT_RELATIONSHIP('','',#2303,#2305);
#2325=SHAPE_ASPECT_RELATIONSHIP('','',#2308,#2304);

#2401=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.02),{mm});
#2402=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.05),{mm});
#2403=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.1),{mm});
#2404=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.2),{mm});
#2405=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.03),{mm});
#2406=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.08),#2407);
#2407=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.));
#2408=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(40.),{mm});

#2501=FLATNESS_TOLERANCE('base flat','',#2401,#2101);
#2502=PERPENDICULARITY_TOLERANCE('bore square','',#2402,#2102,(#2205));
#2503=(GEOMETRIC_TOLERANCE('pin hole place','',#2403,#2306)
  GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2207))
  GEOMETRIC_TOLERANCE_WITH_MODIFIERS((.MAXIMUM_MATERIAL_REQUIREMENT.))POSITION_TOLERANCE());
#2504=(GEOMETRIC_TOLERANCE('skin profile','',#2404,#2301)
  GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2204))SURFACE_PROFILE_TOLERANCE());
#2505=(GEOMETRIC_TOLERANCE('right profile','',#2403,#2302)
  GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2204))SURFACE_PROFILE_TOLERANCE()
  UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE(#2405));
#2506=SURFACE_PROFILE_TOLERANCE('sides form','',#2402,#2303);
#2507=(GEOMETRIC_TOLERANCE('back profile','',#2404,#2305)
  GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2211))SURFACE_PROFILE_TOLERANCE());
#2508=(GEOMETRIC_TOLERANCE('skin form','',#2402,#2301)SURFACE_PROFILE_TOLERANCE()
  UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE(#2401));
#2511=SURFACE_PROFILE_TOLERANCE('linked to nothing','',#2402,#2307);
#2512=SURFACE_PROFILE_TOLERANCE('in metres','',#2406,#2301);
#2513=SURFACE_PROFILE_TOLERANCE('as large as the part','',#2408,#2301);
#2514=SURFACE_PROFILE_TOLERANCE('all around','',#2402,#2308);
#2515=WAVINESS_TOLERANCE('unknown to the standard','',#2402,#2301);
#2516=(GEOMETRIC_TOLERANCE('per unit','',#2402,#2302)GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT(#2402)
  SURFACE_PROFILE_TOLERANCE());
#2517=(GEOMETRIC_TOLERANCE('odd modifier','',#2402,#2302)GEOMETRIC_TOLERANCE_WITH_MODIFIERS((.AS_YOU_LIKE.))
  SURFACE_PROFILE_TOLERANCE());
#2521=TOLERANCE_ZONE_FORM('cylindrical or circular');
#2522=TOLERANCE_ZONE('','',{shape},.F.,(#2502,#2503),#2521);
#2523=PROJECTED_ZONE_DEFINITION(#2524,(),#2306,#2408);
#2524=TOLERANCE_ZONE('','',{shape},.F.,(#2503),#2521);

#2601=DIMENSIONAL_SIZE(#2102,'diameter');
#2602=TOLERANCE_VALUE(#2405,#2405);
#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);
#2701=DRAUGHTING_CALLOUT('a note that is only drawn',());
#2702=DRAUGHTING_CALLOUT('the skin profile, drawn',());
#2703=DRAUGHTING_MODEL('',(#2701,#2702),$);
#2704=DRAUGHTING_MODEL_ITEM_ASSOCIATION('','',#2504,#2703,#2702);
"""


def make_shape() -> Any:
    """The block, 80 x 50 mm, about 22 mm high."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
    from OCP.collections import Array2_gp_Pnt
    from OCP.GeomAPI import GeomAPI_PointsToBSplineSurface
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec

    points = Array2_gp_Pnt(1, 5, 1, 5)
    for i in range(5):
        for j in range(5):
            x, y = -5 + 22.5 * i, -5 + 15.0 * j
            points.SetValue(i + 1, j + 1, gp_Pnt(x, y, 22 + 3 * math.sin(x / 25) * math.cos(y / 30)))
    skin = BRepBuilderAPI_MakeFace(GeomAPI_PointsToBSplineSurface(points).Surface(), 1e-6).Face()
    above = BRepPrimAPI_MakePrism(skin, gp_Vec(0, 0, 40)).Shape()
    block = BRepAlgoAPI_Cut(BRepPrimAPI_MakeBox(gp_Pnt(0, 0, 0), gp_Pnt(80, 50, 30)).Shape(), above).Shape()
    for x, radius in ((20, 6), (60, 3)):
        bore = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, 25, -5), gp_Dir(0, 0, 1)), radius, 60).Shape()
        block = BRepAlgoAPI_Cut(block, bore).Shape()
    return block


def write_shape(path: Path) -> None:
    """Let the kernel write the shape with the names of its faces, in the order in which it has them."""
    from OCP.Interface import Interface_Static
    from OCP.STEPCAFControl import STEPCAFControl_Writer
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    document = TDocStd_Document(TCollection_ExtendedString("bracket"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    shape = make_shape()
    label = tool.AddShape(shape, False)
    TDataStd_Name.Set_s(label, TCollection_ExtendedString("bracket"))
    explorer = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    for name in FACES:
        TDataStd_Name.Set_s(tool.AddSubShape(label, explorer.Current()), TCollection_ExtendedString(name))
        explorer.Next()
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    writer.SetNameMode(True)
    writer.Transfer(document)
    writer.Write(str(path))


def add_pmi(text: str, pmi: str = PMI) -> str:
    """The text of a STEP file of the shape with annotations before its end."""

    def record(pattern: str) -> str:
        return re.search(rf"(#\d+)\s*=\s*{pattern}", text)[1]

    where = {name: record(rf"ADVANCED_FACE\('{name}'") for name in FACES}
    where |= {
        "shape": record("PRODUCT_DEFINITION_SHAPE"),
        "representation": record("ADVANCED_BREP_SHAPE_REPRESENTATION"),
        "mm": record(r"\(\s*LENGTH_UNIT"),
    }
    pmi = re.sub(r"\{(\w+)\}", lambda match: where[match[1]], pmi)
    return re.sub(r"ENDSEC;\s*END-ISO-10303-21;", lambda match: pmi.lstrip() + match[0], text)


def main() -> None:
    """Write bracket_ap242.step beside this script."""
    path = Path(__file__).with_name("bracket_ap242.step")
    write_shape(path)
    text = re.sub(
        r"FILE_DESCRIPTION.*?FILE_SCHEMA",
        "FILE_DESCRIPTION(('Invented test part of probekit: see make_bracket.py'),'2;1');\n"
        "FILE_NAME('bracket_ap242.step','2026-11-25T00:00:00',(''),(''),'','','');\nFILE_SCHEMA",
        path.read_text(),
        flags=re.DOTALL,
    )
    path.write_text(add_pmi(text))


if __name__ == "__main__":
    main()
