"""Words by which a heading gives itself away: English, German, French, Spanish, Italian,
Portuguese, Dutch. Everything is in lower case and without accents ("strasse", "prenom").

Which words to refuse follows the identifiers listed for safe harbour in US 45 CFR 164.514(b)(2)
(names, places below a state, birth dates, telephone, fax, e-mail, social security, record, health
plan, account, licence and vehicle numbers, device serial numbers, web addresses, fingerprints, face
pictures, any other identifying number); the words themselves are common practice, no published
source.
"""

from __future__ import annotations

import dataclasses


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


@dataclasses.dataclass(frozen=True, kw_only=True)
class Telltale:
    """One thing that names a person. what: in words, after "looks like".

    always: words that give it away in any company but `harmless`. alone: words that do so only
    where every other word is of COMPANIONS or `company`. numbered: the same, and one of the
    others must be of NUMBERS. harmless: words that make the heading innocent.
    """

    what: str
    always: frozenset[str] = frozenset()
    alone: frozenset[str] = frozenset()
    numbered: frozenset[str] = frozenset()
    company: frozenset[str] = frozenset()
    harmless: frozenset[str] = frozenset()


#: that something is a number or a key
NUMBERS = _set(
    "no nr nrs num number nummer numero nro nbr n id ident identifier card karte carte tarjeta "
    "tessera cartao kaart ref reference"
)
_PEOPLE = _set(
    "patient patienten patiente pat pt pts person personal client kind child children mother "
    "father parent parents guardian family relative spouse wife husband partner kin carer "
    "caregiver employer emergency school doctor gp physician surgeon referrer paciente paz "
    "paziente utente doente enfant mere pere mutter vater eltern padre madre ouder ouders moeder "
    "vader familie famille arzt hausarzt medecin medico arts huisarts contact kontakt contacto "
    "contatto"
)
_ORDER = _set(
    "first last middle second third full given maiden former previous current new old home house "
    "work office private permanent temporary business main primary secondary other alternative alt "
    "legal preferred official complete day evening privat dienst dienstlich arbeit neu alt prive "
    "bureau travail privado particular trabajo casa completo pila lavoro privato trabalho thuis "
    "werk volledige"
)
_FORM = _set(
    "line lines text field value string txt raw free details detail info information data list "
    "code key type_of zeile feld angaben daten coordonnees datos dati dados gegevens"
)
_CONNECT = _set(
    "of the and or for in on at de du des d der die das den dem von vom am und del la el los y di "
    "della do da dos e et van het en"
)
COMPANIONS = NUMBERS | _PEOPLE | _ORDER | _FORM | _CONNECT

_THINGS = _set(
    "device devices nail nails implant implants fixator frame plate drug drugs medication medicine "
    "antibiotic procedure procedures operation op surgery technique approach scheme scale score "
    "measure measurement variable column field form test tests method product model brand "
    "manufacturer company item study project protocol joint bone segment limb film diagnosis "
    "syndrome disease organism bacteria bacterium pathogen osteotomy complication exercise aid "
    "nagel medikament medikation diagnose verfahren produkt studie clou medicament appareil "
    "dispositif traitement farmaco dispositivo procedimento procedimiento medicamento ingreep unit "
    "parameter implantaat implantat impianto"
)
_DOINGS = _set(
    "follow followup fu up call calls called visit visits consult consults consultation "
    "consultations review reviews reminder reminders consent clinic count interview interviews "
    "survey assessment appointment appointments advice triage support sent reached use used "
    "session sessions hotline"
)
_DAYS = _set(
    "date dates day month year yr yyyy dt time place town city country datum tag jahr monat ort "
    "stadt land jour annee mois lieu pays date_de fecha dia ano mes lugar pais giorno anno mese "
    "luogo data local jaar maand dag plaats"
)

TELLTALES: tuple[Telltale, ...] = (
    Telltale(
        what="a user name or account",
        always=_set(
            "username usernames userid benutzername benutzerkennung password passwort filename "
            "filepath"
        ),
        alone=_set(
            "login logins user users account accounts benutzer utilisateur url website homepage "
            "facebook instagram handle"
        ),
        company=_set("name path bank"),
    ),
    Telltale(
        what="a name",
        always=_set(
            "name names surname surnames forename forenames firstname firstnames lastname "
            "lastnames familyname fullname middlename nickname givenname maidenname initials "
            "vorname vornamen nachname nachnamen zuname familienname rufname geburtsname namen "
            "initialen nom noms prenom prenoms surnom patronyme initiales apellido apellidos apodo "
            "iniciales nome nomi cognome cognomi nominativo iniziali apelido apelidos sobrenome "
            "iniciais naam achternaam voornaam voornamen roepnaam voorletters"
        ),
        alone=_set("nombre nombres maiden"),
        harmless=_THINGS,
    ),
    Telltale(
        what="a birth date or place",
        always=_set(
            "dob yob bday birthdate birthday birthyear geburtsdatum geburtstag geburtsjahr "
            "geburtsort gebdat gebdatum ddn datenaissance geboortedatum geboortejaar "
            "geboorteplaats"
        ),
        alone=_set(
            "birth born geb geburt geboren naissance nacimiento nascita nascimento geboorte fnac"
        ),
        company=_DAYS,
    ),
    Telltale(
        what="an address",
        always=_set(
            "address addresses adress adresse adressen anschrift adres adressen direccion "
            "direcciones indirizzo indirizzi endereco enderecos domicile domicilio morada wohnort "
            "wohnadresse woonplaats woonadres postcode postcodes zipcode zipcodes postleitzahl plz "
            "codepostal codigopostal codicepostale hausnummer huisnummer"
        ),
        alone=_set(
            "street streets strasse str rue calle rua straat road town city village zip postal "
            "residence stadt ville ciudad citta cidade gemeente gemeinde comune suburb stad ort "
            "via cap cep latitude longitude geolocation gps localidad localita"
        ),
        numbered=_set("house flat apartment haus"),
        company=_set("name place lieu lugar luogo plaats building"),
        harmless=_DOINGS | _set("changed checked known"),
    ),
    Telltale(
        what="a telephone number",
        always=_set(
            "phone phones telephone telephones telefon telefone telefones telefono telefonos "
            "telefoni telefoon telefonnummer telefonnr telefoonnummer handynummer mobilnummer "
            "rufnummer telno faxno cellphone cellphones fax faxnummer pager whatsapp tel tels tlf "
            "tfno telemovel cellulare landline festnetz"
        ),
        alone=_set("mobile mobiles mobil handy movil celular portable gsm"),
        numbered=_set("cell"),
        harmless=_DOINGS,
    ),
    Telltale(
        what="an e-mail address",
        always=_set("email emails emailaddress emailadresse emailadres courriel mailadresse"),
        alone=_set("mail mails correo correoelectronico postaelettronica"),
        company=_set("address electronico elettronica"),
        harmless=_DOINGS,
    ),
    Telltale(
        what="a contact of the family",
        always=_set(
            "nextofkin nok notfallkontakt contactpersoon kontaktperson ansprechpartner guardian "
            "guardians vormund erziehungsberechtigte erziehungsberechtigter encarregado voogd "
            "mantelzorger"
        ),
        alone=_set(
            "contact contacts kontakt kontakte contacto contactos contatto contatti contato kin "
            "parent parents mother father spouse carer caregiver relative mutter vater eltern "
            "angehorige angehoriger angehorigen mere pere tuteur padre madre genitore genitori "
            "tutore mae pai ouder ouders moeder vader"
        ),
        company=_set("next"),
        harmless=_set(
            "first last previous day informed consent consented present height age education form "
            "date agreed satisfied reported questionnaire"
        ),
    ),
    Telltale(
        what="a record number",
        always=_set(
            "mrn uhid kvnr nosologico prontuario patientennummer patientennr patientnummer "
            "patientnumber patientno patnr patno aktenzeichen aktennummer aktennr fallnummer "
            "fallnr krankenversichertennummer versichertennummer versichertennr "
            "versicherungsnummer dossiernummer dossiernr verzekeringsnummer polisnummer "
            "numerodossier historiaclinica"
        ),
        alone=_set("nhs casenote casenotes ohip medicare medicaid ipp nhc utente"),
        numbered=_set(
            "record medical hospital health chart file folder insurance insured policy insurer "
            "versicherung krankenkasse kasse akte akten dossier expediente historia clinica "
            "cartella krankenkassen kassen processo ficha sanitaria seguro assurance assure "
            "assicurazione verzekering ur urn chi"
        ),
    ),
    Telltale(
        what="a national number",
        always=_set(
            "passport passports passportno ssn nino bsn burgerservicenummer pesel personnummer "
            "fodselsnummer henkilotunnus hetu ppsn cnic nric aadhaar aadhar cpf curp dni nif niss "
            "nuss ahvnr ahvnummer insz rijksregisternummer sozialversicherungsnummer svnr svnummer "
            "steuernummer steuerid personalausweis personalausweisnummer ausweisnummer reisepass "
            "codicefiscale pasaporte passaporto passaporte paspoort passeport idcard idnumber idno "
            "idnr tckn"
        ),
        alone=_set(
            "cpr nir nie cip ahv ausweis fiscale socialsecurity socialinsurance nationalinsurance "
            "securitesociale seguridadsocial segurancasocial secu identification"
        ),
        numbered=_set("national identity citizen tax personal social security fiscal nationale"),
    ),
    Telltale(
        what="an implant serial number",
        always=_set("udi imei gtin seriennummer serienummer chargennummer chargennr lotnumber"),
        alone=_set("serial lot lots batch lote lotes lotto"),
        numbered=_set("charge chargen serie series partij"),
        company=_set("implant device nail rod plate screw fixator magnet motor"),
    ),
    Telltale(
        what="an implant serial number",
        always=_set("implantid deviceid nailid implantidentifier deviceidentifier"),
    ),
    Telltale(
        what="a picture or body mark of a person",
        always=_set("selfie fingerprint fingerprints biometric biometrics unterschrift"),
        alone=_set(
            "photo photos photograph photographs picture pictures image images face faces portrait "
            "foto fotos bild bilder imagen imagem immagine afbeelding gesicht visage rostro viso "
            "rosto gezicht video videos signature handtekening"
        ),
        company=_set("path link url front side name file"),
    ),
    Telltale(
        what="a bank account",
        always=_set("iban kontonummer bankaccount creditcard bankverbindung"),
        alone=_set("bic"),
        numbered=_set("bank account konto credit cuenta conto conta rekening"),
    ),
    Telltale(
        what="a licence plate or driving licence",
        always=_set(
            "licenceplate licenseplate numberplate kennzeichen immatriculation matricula targa "
            "kenteken fuhrerschein fuehrerschein drivinglicence drivinglicense drivinglicence "
            "driverlicense driverslicense"
        ),
        alone=_set("vin kfz"),
        numbered=_set("licence license vehicle"),
        company=_set("plate driving driver drivers kennzeichen"),
    ),
)

#: endings of compound words that give a whole word away ("klinikname"), and what they say
ENDINGS: dict[str, str] = {
    "namen": "name",
    "name": "name",
    "naam": "name",
    "geburtsdatum": "geburtsdatum",
    "adresse": "adresse",
    "address": "address",
    "anschrift": "anschrift",
    "strasse": "strasse",
    "telefon": "telefon",
    "telefonnummer": "telefon",
    "phone": "phone",
    "email": "email",
}

#: words that end so and are innocent
INNOCENT = _set("rename microphone headphone headphones")

CORE = frozenset().union(*(one.always | one.alone | one.numbered for one in TELLTALES))
#: words that merged neighbours may form ("post code", "d.o.b.")
MERGED = frozenset().union(*(one.always | one.alone for one in TELLTALES))
ALL_WORDS = CORE.union(
    COMPANIONS, *(one.company | one.harmless for one in TELLTALES), INNOCENT, ["nummer", "numero"]
)
