"""
What wires, gas and fault currents do: the physics that judge, proposals and build sheet share.

    conductors, ampacity   copper: resistance, voltage drop, how much current for ever
    gas                    hydrogen, ventilation, spark distance
    fault                  short circuits, what cables bear, pre-charge
    sharing                who carries what in parallel

Every number here supports a decision, it does not make one: local code and licensed practice come first.
"""

from hotchpot.electrics.ampacity import (
    ambient_factor,
    ampacity_band,
    bundle_factor,
    engine_space_factor,
    iec_ampacity_a,
    marine_ampacity_a,
    nec_ampacity_a,
)
from hotchpot.electrics.conductors import (
    cable_resistance_ohm,
    copper_factor,
    iec_60228_ohm_per_km,
    iec_annex_a_factor,
    nec_ohm_per_kft,
    voltage_drop,
    voltage_drop_frac,
)
from hotchpot.electrics.fault import (
    Precharge,
    Source,
    bank_fault_a,
    fallback_fault_a,
    precharge,
    rise_a,
    string_fault_a,
    two_load_source,
    withstand_a,
    withstand_a2s,
)
from hotchpot.electrics.gas import (
    dilution,
    free_volume_m3,
    gassing_current_a,
    hydrogen_flow_l_per_h,
    hydrogen_l_per_ah,
    hydrogen_mol_per_ah,
    i_gas_ma_per_ah,
    opening_cm2,
    oxygen_l_per_ah,
    spark_distance_mm,
    ventilation_m3_per_h,
    water_g_per_ah,
)
from hotchpot.electrics.sharing import (
    BranchCurrents,
    Drift,
    Takeoff,
    ladder_shares,
    two_branch_currents,
    two_branch_share_at,
)
from hotchpot.electrics.tables import cite
from hotchpot.gauge import awg_area_cmil, awg_area_mm2, awg_diameter_mm, awg_name, awg_number

__all__ = [
    "BranchCurrents",
    "Drift",
    "Precharge",
    "Source",
    "Takeoff",
    "ambient_factor",
    "ampacity_band",
    "awg_area_cmil",
    "awg_area_mm2",
    "awg_diameter_mm",
    "awg_name",
    "awg_number",
    "bank_fault_a",
    "bundle_factor",
    "cable_resistance_ohm",
    "cite",
    "copper_factor",
    "dilution",
    "engine_space_factor",
    "fallback_fault_a",
    "free_volume_m3",
    "gassing_current_a",
    "hydrogen_flow_l_per_h",
    "hydrogen_l_per_ah",
    "hydrogen_mol_per_ah",
    "i_gas_ma_per_ah",
    "iec_60228_ohm_per_km",
    "iec_ampacity_a",
    "iec_annex_a_factor",
    "ladder_shares",
    "marine_ampacity_a",
    "nec_ampacity_a",
    "nec_ohm_per_kft",
    "opening_cm2",
    "oxygen_l_per_ah",
    "precharge",
    "rise_a",
    "spark_distance_mm",
    "string_fault_a",
    "two_branch_currents",
    "two_branch_share_at",
    "two_load_source",
    "ventilation_m3_per_h",
    "voltage_drop",
    "voltage_drop_frac",
    "water_g_per_ah",
    "withstand_a",
    "withstand_a2s",
]
