#!/usr/bin/env bash
# Makes conversions.tsv with GNU Units, to check package dose against a program that
# shares no code or table with it. Run in this folder:
#
#     ./conversions.sh > conversions.tsv
#
# A line is: what somebody types, the unit to give it in, the number that GNU Units
# gives, what it was asked. It counts in floating point, so the last figures are
# rounded.
set -euo pipefail
line() { printf '%s\t%s\t%s\t%s -> %s\n' "$1" "$2" "$(units -t -o '%.15g' -- "$3" "$4")" "$3" "$4"; }
printf '# Made by conversions.sh with %s\n' "$(units --version | head -1)"
line '2,5 L/ha'             'mL/m²'        '2.5 liter/hectare'            'ml/m^2'
line '2.5 L/ha'             'mL/100 m²'    '2.5 liter/hectare'            'ml/(100 m^2)'
line '400 mL/1000 m2'       'L/ha'         '400 ml/(1000 m^2)'            'liter/hectare'
line '30 g/m²'              'kg/ha'        '30 g/m^2'                     'kg/hectare'
line '1.5 kg/1000 m2'       'g/m²'         '1.5 kg/(1000 m^2)'            'g/m^2'
line '1.5 kg/1000 m2'       'kg/ha'        '1.5 kg/(1000 m^2)'            'kg/hectare'
line '10 mL/L'              '% v/v'        '10 ml/liter'                  '0.01'
line '0.5 % v/v'            'mL/L'         '0.5 * 0.01'                   'ml/liter'
line '0.5 % w/v'            'g/L'          '0.5 g/(100 ml)'               'g/liter'
line '50 g per 100 L'       'g/L'          '50 g/(100 liter)'             'g/liter'
line '50 g per 100 L'       '% w/v'        '50 g/(100 liter)'             'g/(100 ml)'
line '50 g in 15 L'         'g/L'          '50 g/(15 liter)'              'g/liter'
line '0.3 % w/w'            'g/kg'         '0.3 * 0.01'                   'g/kg'
line '3 kg/t'               'g/kg'         '3 kg/tonne'                   'g/kg'
line '200 mL/t'             'µL/kg'        '200 ml/tonne'                 'microliter/kg'
line '1 L/m³'               'mL/L'         '1 liter/m^3'                  'ml/liter'
line '2 kg/m3'              'g/L'          '2 kg/m^3'                     'g/liter'
line '50 per m²'            'per 100 cm²'  '50/m^2'                       '1/(100 cm^2)'
line '250 mg/plant'         'g/plant'      '250 mg'                       'g'
line '2 US fl oz/1000 sq ft' 'mL/m²'       '2 usfloz/(1000 ft^2)'         'ml/m^2'
line '1 lb/acre'            'kg/ha'        '1 lb/(43560 ft^2)'            'kg/hectare'
line '8 oz per 100 US gal'  'g/L'          '8 oz/(100 gallon)'            'g/liter'
line '10 US gal/acre'       'L/ha'         '10 gallon/(43560 ft^2)'       'liter/hectare'
line '50 ppm'               '%'            '50 ppm'                       '0.01'
line '20 L'                 'US gal'       '20 liter'                     'gallon'
line '5 hL'                 'm³'           '5 hectoliter'                 'm^3'
line '1 500 g'              'lb'           '1500 g'                       'lb'
line '0.4 ha'               'm²'           '0.4 hectare'                  'm^2'
line '48 °C'                '°F'           'tempC(48)'                    'tempF'
line '118 °F'               '°C'           'tempF(118)'                   'tempC'
line '-18 °C'               '°F'           'tempC(-18)'                   'tempF'
line '30 min'               'h'            '30 min'                       'hour'
line '20 min'               'h'            '20 min'                       'hour'
line '1 h 30 min'           's'            '90 min'                       's'
line '2 days'               'h'            '2 day'                        'hour'
