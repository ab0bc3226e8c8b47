"""Words of register lists, in six languages: how makers name what stands in a register. Kind: from memory of the
trade, invented lists; no real product's list was used.

A line is `key: seen | seen || unseen | unseen`. Words before `||` may stand in examples; those behind it are held out:
they stand in no example. `{n}` is the number of a cell, sensor or module, or a range of them.
"""

ENGLISH = """
pack_voltage: Pack voltage | Total voltage | Battery total voltage | Stack voltage || Sum of cell voltages (pack) | Battery DC voltage | System battery voltage | V_pack
terminal_voltage: Terminal voltage | Output voltage | DC bus voltage | Voltage at terminals || Load side voltage | Voltage behind contactors | Inverter side voltage | P+ P- voltage
pack_current: Pack current | Total current | Battery current | Current || Stack current | DC current of battery | Charge/discharge current | I_pack
pack_power: Pack power | Battery power | Total power | Power || Charge/discharge power | DC power | Instantaneous power | P_bat
soc: SOC | State of charge | Battery SOC | Pack SOC || Remaining charge in percent | Charge level | Fuel gauge | System SOC
soh: SOH | State of health | Battery SOH | Pack SOH || Health | Remaining health | Battery health index | System SOH
cell_voltage: Cell {n} voltage | Voltage of cell {n} | Cell voltage {n} | Vcell {n} || Cell #{n} volt | U cell {n} | Single cell voltage no. {n} | VC{n}
cell_voltage_max: Max cell voltage | Highest cell voltage | Maximum cell voltage | Cell voltage max || Peak cell voltage | Vcell high | Top cell volt. | Cell_Vmax
cell_voltage_min: Min cell voltage | Lowest cell voltage | Minimum cell voltage | Cell voltage min || Weakest cell voltage | Vcell low | Bottom cell volt. | Cell_Vmin
cell_max_pos: Number of max voltage cell | Max cell voltage number | Position of highest cell || Cell ID with Vmax | Index of top cell
cell_min_pos: Number of min voltage cell | Min cell voltage number | Position of lowest cell || Cell ID with Vmin | Index of bottom cell
cell_avg: Average cell voltage | Mean cell voltage || Cell voltage avg. | Vcell mean
cell_diff: Cell voltage difference | Delta cell voltage || Cell spread | Imbalance (max-min)
cell_temperature: Cell temperature {n} | Temperature sensor {n} | Temperature {n} | Cell temp {n} || NTC {n} | T{n} (cell) | Thermistor {n} | Probe {n} temp.
cell_temperature_max: Max cell temperature | Highest cell temperature | Maximum temperature | Temperature max || Hottest cell | T cell high | Peak temp. | Cell_Tmax
cell_temperature_min: Min cell temperature | Lowest cell temperature | Minimum temperature | Temperature min || Coldest cell | T cell low | Bottom temp. | Cell_Tmin
temp_max_pos: Number of max temperature sensor | Position of highest temperature || Sensor ID with Tmax
temp_min_pos: Number of min temperature sensor | Position of lowest temperature || Sensor ID with Tmin
module_voltage: Module {n} voltage | Voltage of module {n} | Module voltage {n} || Tray {n} volt | Battery box {n} voltage | U module {n}
module_soc: Module {n} SOC | SOC of module {n} || Tray {n} charge level | Battery box {n} SOC
module_current: Module {n} current | Current of module {n} || Tray {n} amps | Battery box {n} current
remaining_ah: Remaining capacity | Residual capacity || Charge left | Available Ah
full_ah: Full charge capacity | Full capacity || Learned capacity | Usable capacity when full
rated_ah: Rated capacity | Nominal capacity || Design capacity | Capacity by nameplate
cycles: Cycle count | Number of cycles | Cycles || Charge cycles so far | Equivalent full cycles | Cycle counter
charge_limit: Max charge current | Charge current limit | Maximum allowed charge current || CCL | Permitted charging current | Chg. current allowed
discharge_limit: Max discharge current | Discharge current limit | Maximum allowed discharge current || DCL | Permitted discharging current | Dischg. current allowed
charge_voltage_limit: Charge voltage limit | Max charge voltage || CVL | Charging cut-off voltage
discharge_voltage_limit: Discharge voltage limit | Min discharge voltage || DVL | Discharging cut-off voltage
state: System status | Battery state | Operating state | Run mode || BMS mode | Work status | Working state | Mode of operation
alarm_word: Alarm | Alarm status {k} | Fault word {k} | Protection status || Fault flags {k} | Trip flags | Error bits {k} | Protection bitmap
warning_word: Warning | Warning status | Warning word || Warning flags | Pre-alarm bits | Caution bitmap
latched_word: Latched alarms | Alarm history word | Stored faults || Past trips (sticky) | Fault memory bits
fault_code: Fault code | Error code | Current fault number || Active trip code | Malfunction no.
switches: Contactor status | Relay status | Main switch status || MOSFET state | Breaker and relay bits | Contactor feedback
inverter_age: Time since last inverter message | Seconds since inverter heard || Inverter telegram age | PCS silence time
inverter_ever_heard: Inverter seen since start | Inverter communication established || PCS ever connected | Host contacted since power-up
inverter_heartbeat: Inverter heartbeat | Inverter life counter || PCS alive counter | Host watchdog value
own_heartbeat: BMS heartbeat | Heartbeat | Life counter || Alive counter BMS | Rolling counter | Toggle count
uptime: Uptime | Time since start | Running time || Operating seconds since power-on | On-time
unit_clock: System time (Unix) | Clock (Unix time) | Timestamp || Epoch seconds | RTC seconds since 1970
insulation: Insulation resistance | Isolation resistance || Riso | Resistance to earth | Insulation to ground
serial: Serial number | Battery serial number | SN || S/N of the system | Device ID text | Product serial
model: Model name | Product model | Type designation || Device name | Product code text
firmware: Firmware version | Software version | BMS version || FW release | SW rev. | Program version
module_serial: Module {n} serial number | Serial number module {n} || S/N tray {n} | Battery box {n} SN
module_count: Number of modules | Module count | Modules in series || Quantity of trays | Battery boxes online | N modules
cell_count: Number of cells | Cell count || Cells in series | N cells
pack_count: Number of packs in parallel | Pack count || Parallel strings | Racks online
energy_in: Total charged energy | Accumulated charge energy || Lifetime kWh in | Energy charged
energy_out: Total discharged energy | Accumulated discharge energy || Lifetime kWh out | Energy discharged
board_temp: Board temperature | MOS temperature | BMS temperature || PCB temp. | Heat sink temp. | Power stage temperature
ambient_temp: Ambient temperature | Environment temperature || Air temp. in cabinet | Surrounding temp.
cell_resistance: Cell {n} internal resistance | Resistance of cell {n} || Ri cell {n} | Cell #{n} impedance
cell_charge: Cell {n} SOC | Cell {n} charge || Cell #{n} charge level | Capacity left cell {n}
rated_voltage: Rated voltage | Nominal voltage || Design voltage | Voltage by nameplate
humidity: Humidity | Relative humidity || Air moisture
fan: Fan speed | Fan || Blower rpm
balancing: Balancing status module {n} | Balance bits {n} || Equaliser bits {n} | Bleeding cells {n}
own_address: Modbus address | Slave address || Station number | Device ID on bus
reserved: Reserved | reserved | - || Spare | not used | RFU
module: Module {m} | Mod. {m} || Tray {m} | Box {m}
"""

GERMAN = """
pack_voltage: Packspannung | Gesamtspannung | Batteriespannung gesamt | Batteriespannung || Summenspannung | Spannung des Batterieturms | U_Bat
terminal_voltage: Klemmenspannung | Ausgangsspannung | Zwischenkreisspannung || Spannung nach Schützen | Spannung wechselrichterseitig
pack_current: Packstrom | Gesamtstrom | Batteriestrom | Strom || Lade-/Entladestrom | Batteriegleichstrom | I_Bat
pack_power: Batterieleistung | Gesamtleistung | Leistung || Lade-/Entladeleistung | DC-Leistung | Momentanleistung
soc: Ladezustand | SOC | Ladezustand (SOC) || Ladestand | Füllstand Batterie | Restladung in Prozent
soh: Gesundheitszustand | SOH | Alterungszustand (SOH) || Batteriegesundheit | Zustand der Alterung
cell_voltage: Zellspannung {n} | Spannung Zelle {n} | Zelle {n} Spannung || U Zelle {n} | Einzelzellspannung Nr. {n} | UZ{n}
cell_voltage_max: Maximale Zellspannung | Höchste Zellspannung | Zellspannung max. || Größte Einzelzellspannung | U Zelle max
cell_voltage_min: Minimale Zellspannung | Niedrigste Zellspannung | Zellspannung min. || Kleinste Einzelzellspannung | U Zelle min
cell_max_pos: Nummer der höchsten Zelle | Position max. Zellspannung || Zelle mit Höchstwert
cell_min_pos: Nummer der niedrigsten Zelle | Position min. Zellspannung || Zelle mit Tiefstwert
cell_avg: Mittlere Zellspannung | Durchschnittliche Zellspannung || Zellspannung Mittelwert
cell_diff: Zellspannungsdifferenz | Differenz max-min Zellen || Zellspreizung
cell_temperature: Zelltemperatur {n} | Temperatur Zelle {n} | Temperaturfühler {n} || Fühler {n} | NTC {n} Temperatur | T Zelle {n}
cell_temperature_max: Maximale Zelltemperatur | Höchste Zelltemperatur | Temperatur max. || Wärmste Zelle | Größte Fühlertemperatur
cell_temperature_min: Minimale Zelltemperatur | Niedrigste Zelltemperatur | Temperatur min. || Kälteste Zelle | Kleinste Fühlertemperatur
temp_max_pos: Nummer des wärmsten Fühlers || Fühler mit Höchstwert
temp_min_pos: Nummer des kältesten Fühlers || Fühler mit Tiefstwert
module_voltage: Modulspannung {n} | Spannung Modul {n} | Modul {n} Spannung || U Modul {n} | Einschub {n} Spannung
module_soc: Ladezustand Modul {n} | SOC Modul {n} || Einschub {n} Ladestand
module_current: Strom Modul {n} | Modulstrom {n} || Einschub {n} Strom
remaining_ah: Restkapazität | Verbleibende Kapazität || Restladung
full_ah: Volle Kapazität | Kapazität vollgeladen || Gelernte Kapazität
rated_ah: Nennkapazität | Bemessungskapazität || Kapazität laut Typenschild
cycles: Zyklenzahl | Anzahl Zyklen | Ladezyklen || Vollzyklen | Zyklenzähler
charge_limit: Maximaler Ladestrom | Ladestromgrenze | Max. zulässiger Ladestrom || Erlaubter Ladestrom | Grenzwert Ladestrom
discharge_limit: Maximaler Entladestrom | Entladestromgrenze | Max. zulässiger Entladestrom || Erlaubter Entladestrom | Grenzwert Entladestrom
charge_voltage_limit: Ladespannungsgrenze | Max. Ladespannung || Ladeschlussspannung
discharge_voltage_limit: Entladespannungsgrenze | Min. Entladespannung || Entladeschlussspannung
state: Betriebszustand | Systemstatus | Status Batterie || Betriebsart | Anlagenzustand
alarm_word: Alarmwort {k} | Störmeldungen {k} | Alarme || Fehlerbits {k} | Schutzauslösungen
warning_word: Warnungen | Warnwort || Vorwarnungen | Hinweisbits
latched_word: Gespeicherte Alarme | Alarmspeicher || Fehlerspeicher (rastend)
fault_code: Fehlercode | Störungsnummer || Nummer der aktiven Störung
switches: Schützstatus | Relaisstatus | Status Hauptschalter || Rückmeldung Schütze | Schaltzustand Leistungsschalter
inverter_age: Zeit seit letzter Wechselrichternachricht || Alter des WR-Telegramms
inverter_ever_heard: Wechselrichter seit Start erkannt || WR-Kommunikation war da
inverter_heartbeat: Lebenszähler Wechselrichter || WR-Lebenszeichen
own_heartbeat: Lebenszähler BMS | Lebenszähler || Lebenszeichen Batterie | Umlaufzähler
uptime: Laufzeit seit Start | Betriebszeit || Sekunden seit Einschalten
unit_clock: Systemzeit (Unix) | Uhrzeit (Unix-Zeit) || Sekunden seit 1.1.1970
insulation: Isolationswiderstand || Riso | Widerstand gegen Erde
serial: Seriennummer | Seriennummer Batterie || Fabriknummer | Ser.-Nr.
model: Modellbezeichnung | Typbezeichnung || Gerätetyp | Produktname
firmware: Firmwareversion | Softwareversion || SW-Stand | Programmstand
module_serial: Seriennummer Modul {n} || Fabriknummer Einschub {n}
module_count: Anzahl Module | Modulanzahl || Zahl der Einschübe
cell_count: Anzahl Zellen | Zellenzahl || Zellen in Reihe
pack_count: Anzahl paralleler Packs || Parallele Stränge
energy_in: Geladene Energie gesamt || Summe kWh Ladung
energy_out: Entladene Energie gesamt || Summe kWh Entladung
board_temp: Platinentemperatur | MOSFET-Temperatur || Kühlkörpertemperatur
ambient_temp: Umgebungstemperatur || Lufttemperatur im Schrank
cell_resistance: Innenwiderstand Zelle {n} || Ri Zelle {n}
cell_charge: SOC Zelle {n} | Ladezustand Zelle {n} || Ladestand Zelle {n}
rated_voltage: Nennspannung || Bemessungsspannung
humidity: Luftfeuchte || Relative Feuchte
fan: Lüfterdrehzahl || Ventilator
balancing: Balancierung Modul {n} || Ausgleichsbits {n}
own_address: Modbus-Adresse | Slave-Adresse || Stationsnummer
reserved: Reserviert | reserviert || frei | nicht benutzt
module: Modul {m} || Einschub {m}
"""

CHINESE = """
pack_voltage: 总电压 | 电池组电压 | 电池总压 | 系统总电压 || 组端总压 | 累计总压 | 电池簇电压
terminal_voltage: 端口电压 | 输出电压 | 母线电压 || 负载侧电压 | 接触器外侧电压
pack_current: 总电流 | 电池组电流 | 电流 | 电池电流 || 充放电电流 | 簇电流 | 系统电流
pack_power: 总功率 | 电池功率 | 功率 || 充放电功率 | 瞬时功率 | 系统功率
soc: SOC | 剩余电量百分比 | 荷电状态 || 电量 | 系统SOC | 荷电百分比
soh: SOH | 健康状态 | 健康度 || 电池健康度 | 系统SOH
cell_voltage: 单体电压{n} | 第{n}节电池电压 | 电芯{n}电压 | 单体{n}电压 || {n}号电芯电压 | 第{n}串电压
cell_voltage_max: 最高单体电压 | 单体最高电压 | 最大单体电压 || 电芯最高电压 | 单体电压最大值
cell_voltage_min: 最低单体电压 | 单体最低电压 | 最小单体电压 || 电芯最低电压 | 单体电压最小值
cell_max_pos: 最高单体电压编号 | 最高单体位置 || 最高电压电芯序号
cell_min_pos: 最低单体电压编号 | 最低单体位置 || 最低电压电芯序号
cell_avg: 平均单体电压 || 单体电压均值
cell_diff: 单体压差 | 最大压差 || 电芯电压极差
cell_temperature: 温度{n} | 单体温度{n} | 电芯温度{n} || 第{n}路温度 | {n}号温度探头
cell_temperature_max: 最高单体温度 | 最高温度 | 单体最高温度 || 电芯温度最大值 | 最高电芯温度
cell_temperature_min: 最低单体温度 | 最低温度 | 单体最低温度 || 电芯温度最小值 | 最低电芯温度
temp_max_pos: 最高温度编号 || 最高温度探头序号
temp_min_pos: 最低温度编号 || 最低温度探头序号
module_voltage: 模块{n}电压 | 模组{n}电压 || 第{n}个电池箱电压 | {n}号模组电压
module_soc: 模块{n}SOC | 模组{n}SOC || 第{n}个电池箱电量
module_current: 模块{n}电流 || 第{n}个电池箱电流
remaining_ah: 剩余容量 || 剩余安时数
full_ah: 满充容量 | 充满容量 || 实际容量
rated_ah: 额定容量 | 标称容量 || 设计容量
cycles: 循环次数 | 充放电循环次数 || 累计循环
charge_limit: 最大充电电流 | 充电限流值 | 允许最大充电电流 || 充电电流上限 | 可充电流
discharge_limit: 最大放电电流 | 放电限流值 | 允许最大放电电流 || 放电电流上限 | 可放电流
charge_voltage_limit: 充电限制电压 | 最大充电电压 || 充电截止电压
discharge_voltage_limit: 放电限制电压 | 最低放电电压 || 放电截止电压
state: 系统状态 | 运行状态 | 工作状态 || 电池运行模式 | BMS模式
alarm_word: 告警{k} | 故障状态{k} | 保护状态{k} || 故障标志{k} | 保护字{k}
warning_word: 预警 | 警告状态 || 预告警标志
latched_word: 历史告警 | 锁存故障 || 故障记忆字
fault_code: 故障代码 | 错误码 || 当前故障号
switches: 接触器状态 | 继电器状态 || 开关量反馈 | MOS状态
inverter_age: 逆变器通讯间隔时间 || 距上次逆变器报文秒数
inverter_ever_heard: 逆变器通讯已建立 || 上电后收到过PCS报文
inverter_heartbeat: 逆变器心跳 || PCS心跳计数
own_heartbeat: BMS心跳 | 心跳 || 生命信号计数
uptime: 运行时间 | 上电时间 || 开机秒数
unit_clock: 系统时间(Unix) | 时间戳 || 1970年起秒数
insulation: 绝缘电阻 || 对地绝缘阻值
serial: 序列号 | 电池序列号 || 产品编号 | 出厂编号
model: 型号 | 产品型号 || 设备名称
firmware: 软件版本 | 固件版本 || 程序版本号
module_serial: 模块{n}序列号 || 第{n}个电池箱编号
module_count: 模块数量 | 模组数 || 电池箱个数
cell_count: 单体数量 | 电芯数量 || 电池串数
pack_count: 并联数量 | 电池组数量 || 并机簇数
energy_in: 累计充电电量 || 总充电能量
energy_out: 累计放电电量 || 总放电能量
board_temp: MOS温度 | 板载温度 || 散热器温度
ambient_temp: 环境温度 || 柜内气温
cell_resistance: 单体{n}内阻 | 电芯{n}内阻 || {n}号电芯阻抗
cell_charge: 单体{n}SOC || {n}号电芯电量
rated_voltage: 额定电压 | 标称电压 || 设计电压
humidity: 湿度 || 相对湿度
fan: 风扇转速 || 风机
balancing: 模块{n}均衡状态 || 均衡标志{n}
own_address: 通讯地址 | 从机地址 || 站号
reserved: 预留 | 保留 || 备用
module: 模块{m} | 模组{m} || 电池箱{m}
"""

ITALIAN = """
pack_voltage: Tensione pacco | Tensione totale | Tensione batteria || Tensione complessiva accumulo | V batt
terminal_voltage: Tensione ai morsetti | Tensione di uscita || Tensione lato inverter | Tensione a valle dei contattori
pack_current: Corrente pacco | Corrente totale | Corrente batteria || Corrente di carica/scarica | I batt
pack_power: Potenza batteria | Potenza totale || Potenza di carica/scarica | Potenza istantanea
soc: Stato di carica | SOC | Stato di carica (SOC) || Livello di carica | Carica residua %
soh: Stato di salute | SOH || Salute batteria
cell_voltage: Tensione cella {n} | Cella {n} tensione || V cella {n} | Tensione singola cella n. {n}
cell_voltage_max: Tensione massima cella | Massima tensione di cella || V cella max | Tensione cella più alta
cell_voltage_min: Tensione minima cella | Minima tensione di cella || V cella min | Tensione cella più bassa
cell_max_pos: Numero cella con tensione massima || Posizione cella più alta
cell_min_pos: Numero cella con tensione minima || Posizione cella più bassa
cell_avg: Tensione media celle || Media tensioni cella
cell_diff: Differenza tensione celle || Sbilanciamento celle
cell_temperature: Temperatura cella {n} | Sonda temperatura {n} || Sensore {n} temp. | NTC {n}
cell_temperature_max: Temperatura massima cella | Temperatura massima || Cella più calda
cell_temperature_min: Temperatura minima cella | Temperatura minima || Cella più fredda
temp_max_pos: Numero sonda temperatura massima || Posizione sonda più calda
temp_min_pos: Numero sonda temperatura minima || Posizione sonda più fredda
module_voltage: Tensione modulo {n} | Modulo {n} tensione || V modulo {n}
module_soc: SOC modulo {n} || Carica modulo {n}
module_current: Corrente modulo {n} || I modulo {n}
remaining_ah: Capacità residua || Ah disponibili
full_ah: Capacità a piena carica || Capacità effettiva
rated_ah: Capacità nominale || Capacità di targa
cycles: Numero di cicli | Conteggio cicli || Cicli equivalenti
charge_limit: Corrente massima di carica | Limite corrente di carica || Corrente di carica ammessa
discharge_limit: Corrente massima di scarica | Limite corrente di scarica || Corrente di scarica ammessa
charge_voltage_limit: Tensione massima di carica || Limite tensione in carica
discharge_voltage_limit: Tensione minima di scarica || Limite tensione in scarica
state: Stato del sistema | Stato batteria || Modo di funzionamento
alarm_word: Allarmi {k} | Parola allarmi {k} || Bit di guasto {k} | Protezioni intervenute
warning_word: Avvisi | Preallarmi || Bit di avviso
latched_word: Allarmi memorizzati || Memoria guasti
fault_code: Codice guasto | Codice errore || Numero guasto attivo
switches: Stato contattori | Stato relè || Feedback interruttori
inverter_age: Tempo dall'ultimo messaggio inverter || Età telegramma inverter
inverter_ever_heard: Inverter rilevato dall'avvio || Comunicazione inverter avvenuta
inverter_heartbeat: Heartbeat inverter || Contatore vita inverter
own_heartbeat: Heartbeat BMS | Contatore vita || Contatore ciclico BMS
uptime: Tempo di funzionamento | Tempo dall'avvio || Secondi dall'accensione
unit_clock: Orologio (Unix) || Secondi dal 1970
insulation: Resistenza di isolamento || Riso verso terra
serial: Numero di serie || Matricola
model: Modello | Nome modello || Denominazione prodotto
firmware: Versione firmware | Versione software || Release SW
module_serial: Numero di serie modulo {n} || Matricola modulo {n}
module_count: Numero di moduli || Quantità moduli
cell_count: Numero di celle || Celle in serie
pack_count: Numero di pacchi in parallelo || Stringhe in parallelo
energy_in: Energia caricata totale || kWh in ingresso
energy_out: Energia scaricata totale || kWh in uscita
board_temp: Temperatura scheda || Temperatura dissipatore
ambient_temp: Temperatura ambiente || Temperatura aria quadro
cell_resistance: Resistenza interna cella {n} || Ri cella {n}
cell_charge: SOC cella {n} || Carica cella {n}
rated_voltage: Tensione nominale || Tensione di targa
humidity: Umidità || Umidità relativa
fan: Velocità ventola || Ventilatore
balancing: Bilanciamento modulo {n} || Bit equalizzazione {n}
own_address: Indirizzo Modbus || Numero stazione
reserved: Riservato || Non usato
module: Modulo {m} || Cassetto {m}
"""

SPANISH = """
pack_voltage: Tensión del pack | Tensión total | Voltaje de batería || Voltaje total del banco | V bat
terminal_voltage: Tensión en bornes | Tensión de salida || Voltaje lado inversor
pack_current: Corriente del pack | Corriente total | Corriente de batería || Corriente de carga/descarga | Intensidad batería
pack_power: Potencia de batería | Potencia total || Potencia de carga/descarga | Potencia instantánea
soc: Estado de carga | SOC | Estado de carga (SOC) || Nivel de carga
soh: Estado de salud | SOH || Salud de la batería
cell_voltage: Tensión celda {n} | Voltaje de celda {n} || V celda {n} | Celda n.º {n} voltaje
cell_voltage_max: Tensión máxima de celda | Voltaje máximo de celda || Celda más alta (V)
cell_voltage_min: Tensión mínima de celda | Voltaje mínimo de celda || Celda más baja (V)
cell_max_pos: Número de celda con tensión máxima || Posición celda más alta
cell_min_pos: Número de celda con tensión mínima || Posición celda más baja
cell_avg: Tensión media de celda || Promedio de celdas
cell_diff: Diferencia de tensión de celdas || Desequilibrio de celdas
cell_temperature: Temperatura celda {n} | Sensor de temperatura {n} || Sonda {n} | NTC {n}
cell_temperature_max: Temperatura máxima de celda | Temperatura máxima || Celda más caliente
cell_temperature_min: Temperatura mínima de celda | Temperatura mínima || Celda más fría
temp_max_pos: Número de sensor con temperatura máxima || Posición sonda más caliente
temp_min_pos: Número de sensor con temperatura mínima || Posición sonda más fría
module_voltage: Tensión módulo {n} | Voltaje del módulo {n} || V módulo {n}
module_soc: SOC módulo {n} || Carga módulo {n}
module_current: Corriente módulo {n} || Intensidad módulo {n}
remaining_ah: Capacidad restante || Ah disponibles
full_ah: Capacidad a plena carga || Capacidad real
rated_ah: Capacidad nominal || Capacidad de placa
cycles: Número de ciclos | Ciclos || Contador de ciclos
charge_limit: Corriente máxima de carga | Límite de corriente de carga || Intensidad de carga permitida
discharge_limit: Corriente máxima de descarga | Límite de corriente de descarga || Intensidad de descarga permitida
charge_voltage_limit: Tensión máxima de carga || Tope de voltaje en carga
discharge_voltage_limit: Tensión mínima de descarga || Tope de voltaje en descarga
state: Estado del sistema | Estado de la batería || Modo de operación
alarm_word: Alarmas {k} | Palabra de alarmas {k} || Bits de fallo {k} | Protecciones activas
warning_word: Advertencias | Avisos || Prealarmas
latched_word: Alarmas memorizadas || Memoria de fallos
fault_code: Código de fallo | Código de error || Número de avería activa
switches: Estado de contactores | Estado de relés || Realimentación de interruptores
inverter_age: Tiempo desde el último mensaje del inversor || Antigüedad del telegrama inversor
inverter_ever_heard: Inversor detectado desde el arranque || Hubo comunicación con inversor
inverter_heartbeat: Latido del inversor || Contador de vida del inversor
own_heartbeat: Latido BMS | Contador de vida || Contador cíclico BMS
uptime: Tiempo de funcionamiento || Segundos desde encendido
unit_clock: Reloj (Unix) || Segundos desde 1970
insulation: Resistencia de aislamiento || Riso a tierra
serial: Número de serie || N.º de fábrica
model: Modelo | Nombre del modelo || Denominación
firmware: Versión de firmware | Versión de software || Revisión SW
module_serial: Número de serie módulo {n} || N.º de fábrica módulo {n}
module_count: Número de módulos || Cantidad de módulos
cell_count: Número de celdas || Celdas en serie
pack_count: Número de packs en paralelo || Ramas en paralelo
energy_in: Energía cargada total || kWh de entrada
energy_out: Energía descargada total || kWh de salida
board_temp: Temperatura de placa || Temperatura del disipador
ambient_temp: Temperatura ambiente || Temperatura del aire
cell_resistance: Resistencia interna celda {n} || Ri celda {n}
cell_charge: SOC celda {n} || Carga celda {n}
rated_voltage: Tensión nominal || Voltaje de placa
humidity: Humedad || Humedad relativa
fan: Velocidad del ventilador || Ventilador
balancing: Balanceo módulo {n} || Bits de ecualización {n}
own_address: Dirección Modbus || Número de estación
reserved: Reservado || Sin uso
module: Módulo {m} || Cajón {m}
"""

FRENCH = """
pack_voltage: Tension du pack | Tension totale | Tension batterie || Tension globale du banc | U bat
terminal_voltage: Tension aux bornes | Tension de sortie || Tension côté onduleur
pack_current: Courant du pack | Courant total | Courant batterie || Courant de charge/décharge | I bat
pack_power: Puissance batterie | Puissance totale || Puissance de charge/décharge | Puissance instantanée
soc: État de charge | SOC | État de charge (SOC) || Niveau de charge
soh: État de santé | SOH || Santé batterie
cell_voltage: Tension cellule {n} | Cellule {n} tension || U cellule {n} | Tension élément n° {n}
cell_voltage_max: Tension maximale cellule | Tension cellule max. || Élément le plus haut (V)
cell_voltage_min: Tension minimale cellule | Tension cellule min. || Élément le plus bas (V)
cell_max_pos: Numéro de cellule tension max. || Position élément le plus haut
cell_min_pos: Numéro de cellule tension min. || Position élément le plus bas
cell_avg: Tension moyenne cellules || Moyenne des éléments
cell_diff: Écart de tension cellules || Déséquilibre des éléments
cell_temperature: Température cellule {n} | Sonde de température {n} || Capteur {n} temp. | CTN {n}
cell_temperature_max: Température maximale cellule | Température max. || Élément le plus chaud
cell_temperature_min: Température minimale cellule | Température min. || Élément le plus froid
temp_max_pos: Numéro de sonde température max. || Position sonde la plus chaude
temp_min_pos: Numéro de sonde température min. || Position sonde la plus froide
module_voltage: Tension module {n} | Module {n} tension || U module {n}
module_soc: SOC module {n} || Charge module {n}
module_current: Courant module {n} || I module {n}
remaining_ah: Capacité restante || Ah disponibles
full_ah: Capacité pleine charge || Capacité réelle
rated_ah: Capacité nominale || Capacité plaque
cycles: Nombre de cycles | Cycles || Compteur de cycles
charge_limit: Courant de charge maximal | Limite de courant de charge || Courant de charge autorisé
discharge_limit: Courant de décharge maximal | Limite de courant de décharge || Courant de décharge autorisé
charge_voltage_limit: Tension de charge maximale || Plafond de tension en charge
discharge_voltage_limit: Tension de décharge minimale || Plancher de tension en décharge
state: État du système | État batterie || Mode de fonctionnement
alarm_word: Alarmes {k} | Mot d'alarme {k} || Bits de défaut {k} | Protections déclenchées
warning_word: Avertissements | Préalarmes || Bits d'avertissement
latched_word: Alarmes mémorisées || Mémoire de défauts
fault_code: Code défaut | Code d'erreur || Numéro du défaut actif
switches: État des contacteurs | État des relais || Retour interrupteurs
inverter_age: Temps depuis le dernier message onduleur || Âge du télégramme onduleur
inverter_ever_heard: Onduleur détecté depuis le démarrage || Communication onduleur établie
inverter_heartbeat: Battement onduleur || Compteur de vie onduleur
own_heartbeat: Battement BMS | Compteur de vie || Compteur cyclique BMS
uptime: Temps de fonctionnement || Secondes depuis mise sous tension
unit_clock: Horloge (Unix) || Secondes depuis 1970
insulation: Résistance d'isolement || Riso à la terre
serial: Numéro de série || N° de fabrication
model: Modèle | Nom du modèle || Désignation
firmware: Version firmware | Version logiciel || Révision SW
module_serial: Numéro de série module {n} || N° de fabrication module {n}
module_count: Nombre de modules || Quantité de modules
cell_count: Nombre de cellules || Éléments en série
pack_count: Nombre de packs en parallèle || Branches en parallèle
energy_in: Énergie chargée totale || kWh entrants
energy_out: Énergie déchargée totale || kWh sortants
board_temp: Température carte || Température radiateur
ambient_temp: Température ambiante || Température de l'air
cell_resistance: Résistance interne cellule {n} || Ri cellule {n}
cell_charge: SOC cellule {n} || Charge cellule {n}
rated_voltage: Tension nominale || Tension plaque
humidity: Humidité || Humidité relative
fan: Vitesse ventilateur || Ventilateur
balancing: Équilibrage module {n} || Bits d'équilibrage {n}
own_address: Adresse Modbus || Numéro de station
reserved: Réservé || Non utilisé
module: Module {m} || Tiroir {m}
"""

# Headings of columns, of pages, and what stands in notes. The same two halves.
COLUMNS = {
    "en": """
address: Address | Register | Reg. address | Modbus address || Addr. | Offset | Register no. | Location
name: Name | Description | Parameter | Signal || Meaning | Item | Data point | Content
type: Type | Data type | Format || Encoding | Kind of data | Representation
length: Length | Size | Registers | Quantity || Words | No. of regs | Len
scale: Scale | Factor | Resolution | Scaling || Multiplier | LSB | Step
gain: Gain | Gain || Divisor | Gain
unit: Unit | Units || Dimension | Eng. unit
offset: Offset value | Bias || Zero point
access: R/W | Access || Rights | Read/Write
function: Function code | FC || Func. | Read with
remark: Remark | Comment | Notes | Remarks || Explanation | Additional info | Hints
number: No. | Item | # || Pos. | Seq.
range: Range | Valid range || Limits | Min..max
""",
    "de": """
address: Adresse | Register | Registeradresse || Reg.-Nr. | Startregister
name: Bezeichnung | Beschreibung | Name || Messgröße | Bedeutung
type: Datentyp | Typ | Format || Kodierung | Darstellung
length: Länge | Anzahl Register || Worte | Größe
scale: Skalierung | Faktor | Auflösung || Multiplikator | Wertigkeit
gain: Gain | Verstärkung || Divisor | Teiler
unit: Einheit || Maßeinheit
offset: Nullpunkt || Versatz
access: Zugriff | R/W || Rechte
function: Funktionscode | FC || Lesen mit
remark: Bemerkung | Kommentar | Hinweis || Erläuterung | Anmerkung
number: Nr. | Pos. || Lfd.
range: Bereich | Wertebereich || Grenzen
""",
    "zh": """
address: 寄存器地址 | 地址 | 寄存器 || 起始地址 | 偏移地址
name: 名称 | 描述 | 数据名称 || 信号名 | 含义
type: 数据类型 | 类型 || 格式 | 编码
length: 长度 | 寄存器数 || 字数 | 个数
scale: 比例 | 系数 | 精度 || 分辨率 | 倍率
gain: 增益 || 除数
unit: 单位 || 量纲
offset: 偏移量 || 零点
access: 读写 | 属性 || 权限
function: 功能码 || 读取功能码
remark: 备注 | 说明 || 注释 | 附注
number: 序号 || 编号
range: 范围 || 取值
""",
    "it": """
address: Indirizzo | Registro || Ind. reg.
name: Descrizione | Nome || Grandezza
type: Tipo | Tipo dato || Formato
length: Lunghezza | N. registri || Parole
scale: Scala | Fattore || Risoluzione
gain: Guadagno || Divisore
unit: Unità || Unità di misura
offset: Scostamento || Zero
access: Accesso || L/S
function: Codice funzione || Funz.
remark: Note | Commenti || Osservazioni
number: N. || Pos.
range: Campo | Intervallo || Limiti
""",
    "es": """
address: Dirección | Registro || Dir. reg.
name: Descripción | Nombre || Magnitud
type: Tipo | Tipo de dato || Formato
length: Longitud | Registros || Palabras
scale: Escala | Factor || Resolución
gain: Ganancia || Divisor
unit: Unidad || Unidades
offset: Desplazamiento || Cero
access: Acceso || L/E
function: Código de función || Función
remark: Notas | Comentarios || Observaciones
number: N.º || Pos.
range: Rango || Límites
""",
    "fr": """
address: Adresse | Registre || Adr. reg.
name: Désignation | Description || Grandeur
type: Type | Type de donnée || Format
length: Longueur | Nb registres || Mots
scale: Échelle | Facteur || Résolution
gain: Gain || Diviseur
unit: Unité || Unités
offset: Décalage || Zéro
access: Accès || L/E
function: Code fonction || Fonction
remark: Remarques | Commentaire || Observations
number: N° || Pos.
range: Plage || Limites
""",
}

NOTES = {
    "en": """
charge_positive: positive: charging | + charge, - discharge | charge positive || >0 = into the battery | negative while discharging
discharge_positive: positive: discharging | + discharge, - charge | discharge positive || >0 = out of the battery | negative while charging
high_first: high word first | MSW first | big endian || upper register leads | hi-lo
low_first: low word first | LSW first | word swapped || lower register leads | lo-hi
all_high_first: 32-bit values: high word first. || Long values are sent upper register first.
all_low_first: 32-bit values: low word first. || Long values are sent lower register first.
offset: offset {o} | value = raw*{s}{o} | offset: {o} || zero at {r} | raw {r} = 0 | add {o} after scaling
holding: Holding registers, read with function 03 | Function code 0x03 || Use FC3 to read
input: Input registers, read with function 04 | Function code 0x04 || Use FC4 to read
title: Modbus register list, battery system | Communication protocol, register table || Appendix B: data points | Interface description
page: Page {p} of {q} | - {p} - || p. {p}/{q}
section_electric: Measured values | Electrical values || Live data
section_cells: Cell data | Cell voltages and temperatures || Details by cell
section_name: Device information | Nameplate || Identity
section_status: Status and alarms || Conditions
""",
    "de": """
charge_positive: positiv: Laden | + Laden, - Entladen || >0 = in die Batterie
discharge_positive: positiv: Entladen | + Entladen, - Laden || >0 = aus der Batterie
high_first: High-Word zuerst | höherwertiges Wort zuerst || oberes Register voran
low_first: Low-Word zuerst | niederwertiges Wort zuerst || unteres Register voran
all_high_first: 32-Bit-Werte: High-Word zuerst. || Lange Werte: oberes Register voran.
all_low_first: 32-Bit-Werte: Low-Word zuerst. || Lange Werte: unteres Register voran.
offset: Offset {o} | Wert = Rohwert*{s}{o} || Nullpunkt bei {r}
holding: Holding-Register, Funktionscode 03 || mit FC3 lesen
input: Input-Register, Funktionscode 04 || mit FC4 lesen
title: Modbus-Registerliste Batteriesystem || Anhang B: Datenpunkte
page: Seite {p} von {q} | - {p} - || S. {p}/{q}
section_electric: Messwerte || Momentanwerte
section_cells: Zelldaten || Einzelheiten je Zelle
section_name: Geräteinformation || Typenschild
section_status: Status und Alarme || Zustände
""",
    "zh": """
charge_positive: 充电为正 | 正:充电, 负:放电 || 大于0表示充电
discharge_positive: 放电为正 | 正:放电, 负:充电 || 大于0表示放电
high_first: 高字在前 | 高16位在前 || 先高后低
low_first: 低字在前 | 低16位在前 || 先低后高
all_high_first: 32位数据高字在前。 || 长整型先高后低。
all_low_first: 32位数据低字在前。 || 长整型先低后高。
offset: 偏移量{o} | 偏移{o} || 零点为{r}
holding: 保持寄存器, 功能码03 || 用03读取
input: 输入寄存器, 功能码04 || 用04读取
title: 电池系统通讯协议 | Modbus寄存器表 || 附录B 数据点
page: 第{p}页 共{q}页 || {p}/{q}
section_electric: 测量数据 || 实时数据
section_cells: 单体数据 || 电芯明细
section_name: 设备信息 || 铭牌
section_status: 状态与告警 || 状态量
""",
    "it": """
charge_positive: positivo: carica | + carica, - scarica || >0 = verso la batteria
discharge_positive: positivo: scarica | + scarica, - carica || >0 = dalla batteria
high_first: parola alta per prima || registro superiore per primo
low_first: parola bassa per prima || registro inferiore per primo
all_high_first: Valori a 32 bit: parola alta per prima. || Valori lunghi: registro superiore per primo.
all_low_first: Valori a 32 bit: parola bassa per prima. || Valori lunghi: registro inferiore per primo.
offset: offset {o} || zero a {r}
holding: Holding register, funzione 03 || leggere con FC3
input: Input register, funzione 04 || leggere con FC4
title: Elenco registri Modbus sistema batteria || Appendice B
page: Pagina {p} di {q} || pag. {p}/{q}
section_electric: Misure || Valori istantanei
section_cells: Dati celle || Dettagli per cella
section_name: Informazioni dispositivo || Targa
section_status: Stato e allarmi || Condizioni
""",
    "es": """
charge_positive: positivo: carga | + carga, - descarga || >0 = hacia la batería
discharge_positive: positivo: descarga | + descarga, - carga || >0 = desde la batería
high_first: palabra alta primero || registro superior primero
low_first: palabra baja primero || registro inferior primero
all_high_first: Valores de 32 bits: palabra alta primero. || Valores largos: registro superior primero.
all_low_first: Valores de 32 bits: palabra baja primero. || Valores largos: registro inferior primero.
offset: desplazamiento {o} | offset {o} || cero en {r}
holding: Holding register, función 03 || leer con FC3
input: Input register, función 04 || leer con FC4
title: Lista de registros Modbus, sistema de batería || Anexo B
page: Página {p} de {q} || pág. {p}/{q}
section_electric: Medidas || Valores instantáneos
section_cells: Datos de celdas || Detalle por celda
section_name: Información del equipo || Placa
section_status: Estado y alarmas || Condiciones
""",
    "fr": """
charge_positive: positif : charge | + charge, - décharge || >0 = vers la batterie
discharge_positive: positif : décharge | + décharge, - charge || >0 = depuis la batterie
high_first: mot de poids fort en premier || registre supérieur d'abord
low_first: mot de poids faible en premier || registre inférieur d'abord
all_high_first: Valeurs 32 bits : mot de poids fort en premier. || Valeurs longues : registre supérieur d'abord.
all_low_first: Valeurs 32 bits : mot de poids faible en premier. || Valeurs longues : registre inférieur d'abord.
offset: décalage {o} | offset {o} || zéro à {r}
holding: Holding register, fonction 03 || lire avec FC3
input: Input register, fonction 04 || lire avec FC4
title: Liste des registres Modbus, système batterie || Annexe B
page: Page {p} sur {q} || p. {p}/{q}
section_electric: Mesures || Valeurs instantanées
section_cells: Données cellules || Détail par cellule
section_name: Informations appareil || Plaque signalétique
section_status: État et alarmes || Conditions
""",
}

# What a value of the state means, and what a bit of an alarm word says. One wording each: what a reader of tables must
# keep is the number and the text.
STATES = {
    "en": {"off": "off", "self-test": "self-test", "waiting": "waiting", "precharge": "pre-charge", "standby": "standby",
           "running": "running", "charging": "charging", "discharging": "discharging", "fault": "fault"},
    "de": {"off": "aus", "self-test": "Selbsttest", "waiting": "wartet", "precharge": "Vorladung", "standby": "Bereitschaft",
           "running": "Betrieb", "charging": "Laden", "discharging": "Entladen", "fault": "Störung"},
    "zh": {"off": "关机", "self-test": "自检", "waiting": "等待", "precharge": "预充", "standby": "待机",
           "running": "运行", "charging": "充电", "discharging": "放电", "fault": "故障"},
    "it": {"off": "spento", "self-test": "autotest", "waiting": "attesa", "precharge": "precarica", "standby": "standby",
           "running": "in funzione", "charging": "carica", "discharging": "scarica", "fault": "guasto"},
    "es": {"off": "apagado", "self-test": "autoprueba", "waiting": "en espera", "precharge": "precarga", "standby": "reposo",
           "running": "en marcha", "charging": "carga", "discharging": "descarga", "fault": "fallo"},
    "fr": {"off": "arrêt", "self-test": "autotest", "waiting": "attente", "precharge": "précharge", "standby": "veille",
           "running": "marche", "charging": "charge", "discharging": "décharge", "fault": "défaut"},
}
BITS = {
    "en": ["cell overvoltage", "cell undervoltage", "over temperature", "under temperature", "charge overcurrent",
           "discharge overcurrent", "short circuit", "insulation low", "contactor fault", "pre-charge failed",
           "internal communication lost", "inverter communication lost", "fuse blown", "sensor fault"],
    "de": ["Zelle Überspannung", "Zelle Unterspannung", "Übertemperatur", "Untertemperatur", "Überstrom Laden",
           "Überstrom Entladen", "Kurzschluss", "Isolation zu niedrig", "Schützfehler", "Vorladung fehlgeschlagen",
           "interne Kommunikation gestört", "Kommunikation Wechselrichter gestört", "Sicherung defekt", "Sensorfehler"],
    "zh": ["单体过压", "单体欠压", "过温", "低温", "充电过流", "放电过流", "短路", "绝缘低", "接触器故障", "预充失败",
           "内部通讯故障", "逆变器通讯中断", "熔断器断开", "传感器故障"],
    "it": ["sovratensione cella", "sottotensione cella", "sovratemperatura", "sottotemperatura", "sovracorrente in carica",
           "sovracorrente in scarica", "cortocircuito", "isolamento basso", "guasto contattore", "precarica fallita",
           "comunicazione interna persa", "comunicazione inverter persa", "fusibile aperto", "guasto sensore"],
    "es": ["sobretensión de celda", "subtensión de celda", "sobretemperatura", "baja temperatura", "sobrecorriente en carga",
           "sobrecorriente en descarga", "cortocircuito", "aislamiento bajo", "fallo de contactor", "precarga fallida",
           "comunicación interna perdida", "comunicación con inversor perdida", "fusible abierto", "fallo de sensor"],
    "fr": ["surtension cellule", "sous-tension cellule", "surtempérature", "sous-température", "surintensité en charge",
           "surintensité en décharge", "court-circuit", "isolement faible", "défaut contacteur", "échec précharge",
           "communication interne perdue", "communication onduleur perdue", "fusible ouvert", "défaut capteur"],
}

# Types as they are written; a list for each half.
TYPES = {
    "u16": (["U16", "UINT16", "uint16", "Unsigned 16", "unsigned int"], ["WORD", "16 bit unsigned", "uint16_t", "ushort"]),
    "i16": (["S16", "INT16", "int16", "I16", "signed int"], ["SHORT", "16 bit signed", "int16_t", "SINT16"]),
    "u32": (["U32", "UINT32", "uint32", "Unsigned 32"], ["DWORD", "32 bit unsigned", "uint32_t", "ULONG"]),
    "i32": (["S32", "INT32", "int32", "I32"], ["LONG", "32 bit signed", "int32_t", "SINT32"]),
    "f32": (["FLOAT", "FLOAT32", "float", "IEEE754"], ["REAL", "F32", "single"]),
    "string": (["STRING", "ASCII", "String", "CHAR"], ["TEXT", "char array", "VISIBLE STRING"]),
    "bits16": (["U16", "BITFIELD16", "Bitmap", "uint16"], ["WORD", "bit field", "BITS"]),
    "bits32": (["U32", "BITFIELD32", "uint32"], ["DWORD", "BITS32"]),
    "enum16": (["U16", "ENUM16", "Enum", "uint16"], ["WORD", "enumeration", "ENUM"]),
}
TYPES_CHINESE = {"u16": ["无符号16位", "16位无符号"], "i16": ["有符号16位", "16位有符号"], "u32": ["无符号32位"], "i32": ["有符号32位"]}

LANGUAGES = ["en", "de", "zh", "it", "es", "fr"]
SEEN, UNSEEN = 0, 1


def halves(text):
    table = {}
    for line in text.strip().splitlines():
        key, words = line.split(":", 1)
        table[key] = [[word.strip() for word in half.split(" | ")] for half in words.split("||")]
        assert len(table[key]) == 2 and all(all(half) for half in table[key]), line
    return table


QUANTITIES = dict(zip(LANGUAGES, map(halves, [ENGLISH, GERMAN, CHINESE, ITALIAN, SPANISH, FRENCH])))
HEADINGS = {language: halves(text) for language, text in COLUMNS.items()}
REMARKS = {language: halves(text) for language, text in NOTES.items()}


class Words:
    """The words of one maker: one wording for each thing, kept through the whole list."""

    def __init__(self, random, language, half):
        self.random, self.language, self.half = random, language, half
        self.chosen = {}

    def of(self, tables, key):
        table = tables[self.language]
        if key not in table:
            table = tables["en"]
        return self.chosen.setdefault((id(tables), key), self.random.choice(table[key][self.half]))

    def quantity(self, key):
        return self.of(QUANTITIES, key)

    def heading(self, key):
        return self.of(HEADINGS, key)

    def note(self, key):
        return self.of(REMARKS, key)

    def type(self, key):
        seen = TYPES[key][self.half]
        if self.language == "zh" and key in TYPES_CHINESE and self.chosen.setdefault("chinese types", self.random.random() < 0.4):
            seen = TYPES_CHINESE[key]
        return self.chosen.setdefault(("type", key), self.random.choice(seen))
